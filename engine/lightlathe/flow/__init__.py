"""The steps that pipeline joins."""
