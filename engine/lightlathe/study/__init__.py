"""Comparisons: plan, runs, file, ranking, table, plots."""
