"""Prints the room of a seed as JSON, for `cases.json`: python -m tests.search SEED."""

import json
import sys

from .rooms import room

print(json.dumps(room(int(sys.argv[1])), separators=(",", ":")))
