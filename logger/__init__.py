"""From the probe to the verdict, the alarms and the record. Knows no web page."""

import os

# Arrow takes memory from the system and gives it back at once; its own allocator keeps what it had: a long
# import took some 70 MiB more and was no faster. Set before pyarrow is imported for the first time.
os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")

__version__ = "0.1.0"
