"""Data in memory: labels in order, Series and DataFrames of pandas."""
