"""Recorded takes: placing, flipping and measuring them."""
