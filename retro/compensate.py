"""What is played so that the flipped sound begins and lands where the target does."""
