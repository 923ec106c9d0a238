"""Composes the flow, one way, and writes the pack."""
