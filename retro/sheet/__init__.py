"""The session sheet: one self-contained HTML page."""
