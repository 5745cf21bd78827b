"""Typed rows of each kind, and those refused."""
