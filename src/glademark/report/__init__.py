"""What people read: one set of facts, printed by several renderers."""
