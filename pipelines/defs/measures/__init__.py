"""The figures, each one pure function of the episodes."""
