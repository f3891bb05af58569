"""stats: tables of measurements and scores in, tables of estimates out."""
