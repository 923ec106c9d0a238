"""The reversal: mirror, quantize, compensate."""
