"""The plan of a mapping campaign: labels of positions behind each other do not lie on each other."""

from __future__ import annotations

import re
from dataclasses import replace

from logger.core.study.mapping import mapping
from logger.studies.map_charts import map_charts
from logger.studies.plot import PAPER
from logger.studies.study import Study, StudyRequest, plain
from tests.core.study.test_mapping import campaign


def test_no_two_labels_lie_on_each_other() -> None:
    """15 positions in a grid of 5 by 3: seen from the side three stand behind each other."""
    answer = mapping(campaign(1)[0])
    answer = replace(answer, tables=plain(answer.tables))
    request = StudyRequest("map", "bay", "", 0, 1)
    study = Study(request, answer, (), "0" * 64, 1, "0" * 64, 0, True)
    (_, picture), _ = map_charts(study, PAPER)
    labels = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([+−]\d\.\d\d)</text>', picture)
    assert len(labels) == 15 + 2 * 5
    for number, (x, y, _) in enumerate(labels):
        for other_x, other_y, _ in labels[:number]:
            assert abs(float(x) - float(other_x)) > 30 or abs(float(y) - float(other_y)) > 11
