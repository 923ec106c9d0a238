"""Sound out: the preview, the click, audio files."""
