"""Files that appear under their name whole, or not at all."""
