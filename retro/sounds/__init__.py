"""Sampled sounds: banks that play a performance, and figures learned from what is heard."""
