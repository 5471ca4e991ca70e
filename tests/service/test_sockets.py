"""Which sockets a run opens: those that its setup declares, and none besides."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

AUDITED = """
import os, signal, sys, threading, time
seen = []
def hook(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.bind"):
        seen.append(f"{event} {args[1]}")
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        seen.append(f"{event} {args[0]}")
sys.addaudithook(hook)
def end():
    for _ in range(120):
        time.sleep(0.5)
        if any("connect" in one for one in seen):
            break
    time.sleep(3)
    os.kill(os.getpid(), signal.SIGTERM)
threading.Thread(target=end, daemon=True).start()
sys.argv = ["stillroom", "run", "--data", sys.argv[1]]
from logger.cli import main
try:
    main()
finally:
    print("SEEN", *sorted(set(seen)), sep="\\n")
"""


@pytest.mark.slow
def test_a_run_contacts_what_its_setup_names(demo_copy: Path) -> None:
    """By Python's audit hook: the example's mail server is asked, for there is an alarm, and nobody else."""
    command = [sys.executable, "-c", AUDITED, str(demo_copy)]
    result = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert result.returncode == 0, result.stderr
    output, _, seen = result.stdout.partition("SEEN\n")
    assert "Reading 7 probes" in output
    mail = {"socket.connect ('127.0.0.1', 2525)", "socket.getaddrinfo 127.0.0.1"}  # config/alarms.toml
    assert set(seen.split("\n")) - {""} == mail
