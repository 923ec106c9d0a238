"""The pack: everything that a plan gives, laid out by who uses it."""
