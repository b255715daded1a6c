"""The steps that `pipeline` runs in order."""
