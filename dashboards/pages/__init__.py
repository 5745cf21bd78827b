"""One module a page: what it reads from the snapshot and how that is laid out for its template."""
