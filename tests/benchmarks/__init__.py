"""Speed, measured as people meet it: with one thread of linear algebra, as the command and the screens are started."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
