"""The command line: parses and prints, nothing else. `main` is the program `stillroom`.

Exit codes: 0 done; 2 bad input, nothing was changed; 3 the data folder cannot be used as it is;
`check` 0 stable, 10 not stable, 11 not shown; `verify` 0 intact, 10 broken.
"""

from __future__ import annotations

import gc
import sys

# Imports make a hundred thousand objects that stay: to look through them every 700 slows the start.
OBJECTS_BETWEEN_COLLECTIONS = 20_000


def main() -> None:
    """Run one command; an error that we know is one message on stderr, never a traceback."""
    from ..errors import Refused, StillroomError
    from .distribution import refuse_strangers

    gc.set_threshold(OBJECTS_BETWEEN_COLLECTIONS)
    try:
        refuse_strangers()
        from .program import program_for

        program_for(sys.argv[1:])(prog_name="stillroom")
    except Refused as error:
        _leave(error, 2)
    except StillroomError as error:
        _leave(error, 3)
    except OSError as error:
        # A folder that may not be written, a full disk: the system's own words, without a traceback.
        _leave(error, 2)


def _leave(error: Exception, code: int) -> None:
    print(f"stillroom: {error}", file=sys.stderr)
    sys.exit(code)
