"""Everything that is handed over: GeoPackage, tables, summary, terminal; written all or nothing."""
