"""When and in what order: reading, checking, storing, publishing, and the command."""
