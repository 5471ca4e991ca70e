"""Arrow as we use it: with the allocator of the system, which gives back at once what is needed no more.

Its own keeps what it had: a long import took some 70 MiB more and was no faster.
"""

from __future__ import annotations

import pyarrow

pyarrow.set_memory_pool(pyarrow.system_memory_pool())

__all__ = ["pyarrow"]
