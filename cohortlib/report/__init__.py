"""The report of a study: executed notebooks, their figures, one page that links them all."""
