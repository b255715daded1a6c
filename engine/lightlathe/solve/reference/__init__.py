"""Solver updates in plain torch: what the fused forms must equal."""
