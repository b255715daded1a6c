"""Fused forms of solver updates, for GPUs."""
