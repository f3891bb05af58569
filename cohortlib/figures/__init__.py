"""Figures: drawn from tables given, at exact millimetres; they compute no statistic."""
