"""From the declared tables to Great Expectations suites, and their results."""
