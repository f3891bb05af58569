"""An empty study to begin with: a commented study.toml, tables with their headings, a dictionary to read."""
