"""What the trade talks about: time, phrases, instruments, sound and the performance. No files."""
