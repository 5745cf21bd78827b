"""What readers get, and what starts a run."""
