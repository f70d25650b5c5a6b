"""What a worker needs, imported once by the server that workers are forked from."""

import pyarrow.csv  # noqa: F401 (the readers import it when they first need it, which is the time of an item)

import audit.pipeline  # noqa: F401
from audit.checks import checks
from audit.formats import formats

checks()
formats()
