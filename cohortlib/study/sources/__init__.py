"""Tables as they really arrive, CSV files and workbooks in long or wide form, read as cells of text."""
