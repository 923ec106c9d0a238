"""Composes the flow, one way: a song and settings in, a plan out."""
