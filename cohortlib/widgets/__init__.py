"""Controls around figures for notebooks; what they show is always made by a function without controls."""
