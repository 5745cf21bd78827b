"""What to look at next, and when."""
