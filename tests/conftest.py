"""For all tests: a slow machine is no fault, and processes side by side keep their bench locks apart.

A pseudo terminal's number is used again as soon as it is free, perhaps by a test in another process while a
guardian still holds the lock of its last user; so each process has a folder for temporary files of its own.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings

settings.register_profile("any machine", suppress_health_check=[HealthCheck.too_slow], deadline=None)
settings.load_profile("any machine")

if worker := os.environ.get("PYTEST_XDIST_WORKER"):
    own = Path(tempfile.gettempdir()) / f"panelproof-{worker}-{os.getpid()}"
    own.mkdir(exist_ok=True)
    os.environ["TMPDIR"] = str(own)
    tempfile.tempdir = str(own)
