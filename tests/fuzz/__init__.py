"""Damaged input of every kind that retro reads: it is used, or refused in one line."""
