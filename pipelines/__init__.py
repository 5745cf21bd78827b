"""When and in what order: reading, checking, storing, publishing, and the command."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""Read when NumPy is first imported. Our matrices are narrow: over them a second thread waits more than it works, which
made the adjusted comparisons a quarter slower on two cores."""
