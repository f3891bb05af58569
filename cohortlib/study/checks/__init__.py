"""What must hold between the rows of a table, between tables, and between tables and study.toml."""
