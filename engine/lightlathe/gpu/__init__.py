"""What the fused forms on GPUs share."""
