"""What people read: summaries, pictures, cautions."""
