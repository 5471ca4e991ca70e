"""Which tests of the store run in both homes of the hot tier: the embedded file, and a schema of a server.

A test of these files runs in one home only where its reason stands here. The other files of this folder
are about what a home does not change (curves, exports, Parquet), about the file itself (opening, place,
upgrade, edits by a stranger, backup faults), or, `test_store_server*.py`, about the server.
"""

from __future__ import annotations

BOTH = frozenset({"test_store_append.py", "test_store_journal.py"})
EMBEDDED_ONLY = {
    "test_the_chain_follows_its_description": "reads the file as a stranger would, without our program",
    "test_replacing_a_row_is_refused_too": "INSERT OR REPLACE is a statement of the embedded database",
    "test_the_database_is_durable_by_its_settings": "reads PRAGMAs; a server without fsync is refused",
}
