"""Many simulated probes on few lines, as a process: `python -m logger.simulation.many_probes --lines 8`.

Prints the urls as a line of JSON, answers any query with a temperature, and ends when standard input does.
"""

from __future__ import annotations

import argparse
import json
import select

from .probe import Orders
from .wires import SocketWire


def serve(wires: list[SocketWire], orders: Orders) -> None:
    """Answers until standard input ends."""
    waiting = {id(wire): b"" for wire in wires}
    answers = 0
    while True:
        ready, _, _ = select.select([orders.fileno(), *(f for wire in wires for f in wire.files())], [], [])
        if orders.fileno() in ready and orders.take() is None:
            return
        for wire in wires:
            *queries, waiting[id(wire)] = (waiting[id(wire)] + wire.receive()).split(b"\n")
            for _ in queries:
                answers += 1
                wire.send(b"T=%.2f\r\n" % (20 + answers % 100 / 100))


def main() -> None:
    """Runs until standard input ends."""
    parser = argparse.ArgumentParser(prog="python -m logger.simulation.many_probes", description=__doc__)
    parser.add_argument("--lines", type=int, default=8)
    wires = [SocketWire() for _ in range(parser.parse_args().lines)]
    print(json.dumps([wire.url for wire in wires]), flush=True)
    serve(wires, Orders())


if __name__ == "__main__":
    main()
