"""The field guide: one page that the contractor works from."""
