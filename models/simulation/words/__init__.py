"""How people in workshops write: a grammar of short phrases, the slips of the pen, and what each phrase states."""
