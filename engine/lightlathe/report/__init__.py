"""Text and pictures for people: summaries, warnings, cautions."""
