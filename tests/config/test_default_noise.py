"""Where no noise is declared, nothing is added beyond the resolution, which has a term of its own."""

from __future__ import annotations

import re

import numpy as np
import pytest

from logger.config import example_folder, load_texts, read_texts
from logger.core.calibration.apply import standard_uncertainty
from logger.model import Certificate


def test_without_a_declared_noise_the_resolution_counts_once() -> None:
    """U 0.10 (k = 2), resolution 0.1, drift ±0.06: 2·√(0.05² + 0.1²/12 + 0.06²/3) = 0.1347 (JCGM 100, 5.1).

    With the resolution once more as noise it would be 0.147.
    """
    texts = dict(read_texts(example_folder()))
    probes = re.sub(r"(?m)^noise = .*\n", "", texts["probes.toml"])
    texts["probes.toml"] = re.sub(r"(?m)^resolution = .*$", "resolution = 0.1", probes)
    channel = load_texts(texts).setup.channels["P1.temperature"]
    assert (channel.resolution, channel.noise) == (0.1, 0.0)
    certificate = Certificate(
        "1", "P1.temperature", "", "", "2026-01-01", 0, None, (20.0,), (0.0,), (0.1,), 2.0, (15.0, 25.0),
        drift=0.06,
    )  # fmt: skip
    U = 2 * float(standard_uncertainty(certificate, channel, np.array(20.0)))
    assert pytest.approx(0.1347, abs=5e-5) == U
