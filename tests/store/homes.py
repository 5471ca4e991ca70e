"""Which tests of the store run in both homes of the hot tier: the embedded file, and a schema of a server.

A test of these files runs in one home only where its reason stands here. The other files of this folder
are about what a home does not change (curves, exports, Parquet), about the file itself (opening, place,
upgrade, edits by a stranger, backup faults), or, `test_store_server*.py`, about the server.
"""

from __future__ import annotations

BOTH = frozenset({
    "test_store_append.py", "test_store_archive.py", "test_store_backup.py", "test_store_comparison.py",
    "test_store_disposal.py", "test_store_export.py", "test_store_intake.py", "test_store_journal.py",
    "test_store_journal_sealing.py", "test_store_verify.py",
})  # fmt: skip
# On a server, too, in every run; the others there are marked slow.
QUICK = frozenset({"test_store_append.py", "test_store_journal.py"})
# Of other files: with the archive at an address and the hot tier on a server at once.
ON_SERVER_TOO = frozenset({
    "test_an_archive_moves_to_an_address_and_back", "test_while_the_place_is_away_the_newest_readings_go_on",
    "test_a_backup_holds_what_lies_at_an_address_and_restores_without_it",
})  # fmt: skip
EMBEDDED_ONLY = {
    "test_the_chain_follows_its_description": "reads the file as a stranger would, without our program",
    "test_replacing_a_row_is_refused_too": "INSERT OR REPLACE is a statement of the embedded database",
    "test_a_stranger_walks_the_chain_through_file_and_database": "reads the file without our program",
    "test_what_is_altered_in_file_or_row_is_named": "puts the file of the database back as it was",
    "test_a_rolled_back_record_is_found_by_its_backups": "an older copy of the folder is an older record",
    "test_a_record_that_went_on_another_way_is_found_by_its_backups": "a copy of the folder goes on alone",
    "test_a_file_removed_without_the_act_is_still_a_fault": "inserts by SQLite's own driver",
    "test_the_database_is_durable_by_its_settings": "reads PRAGMAs; a server without fsync is refused",
}
