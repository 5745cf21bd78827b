"""Every row of every export, as text."""
