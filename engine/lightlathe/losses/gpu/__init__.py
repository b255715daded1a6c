"""Fused forms of losses, for GPUs."""
