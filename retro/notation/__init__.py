"""What stands on paper, before any file format."""
