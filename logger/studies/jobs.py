"""Jobs of the week to come, as a person writes them: a name and the hours that it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..errors import Refused

if TYPE_CHECKING:
    from ..core.study.slot_plan import Job

MOST = 20
EXAMPLE = "for example --job 'Ring gear=3'"


def jobs_of(value: Any) -> list[Job]:
    """Jobs of an option: a list of NAME=HOURS, or one text with commas between them.

    Refused where there is none, a name stands twice, or hours are no whole number from 1 to 24.

    >>> [(job.name, job.hours) for job in jobs_of("Ring gear=3, Bores = 2")]
    [('Ring gear', 3), ('Bores', 2)]
    """
    from ..core.study.slot_plan import Job

    texts = value if isinstance(value, list | tuple) else [value or ""]
    words = [word.strip() for text in texts for word in str(text).replace(";", ",").split(",")]
    jobs = []
    for word in filter(None, words):
        name, equals, hours = word.rpartition("=")
        name, hours = name.strip(), hours.strip()
        if not equals or not name or "=" in name or not hours.isdecimal() or not 1 <= int(hours) <= 24:
            raise Refused(f"--job: expected a name and whole hours from 1 to 24, {EXAMPLE}; found {word!r}.")
        jobs.append(Job(name, int(hours)))
    names = [job.name for job in jobs]
    if not jobs:
        raise Refused(f"--job: enter one or more jobs with the hours that each takes, {EXAMPLE}.")
    if len(set(names)) < len(names) or len(jobs) > MOST:
        raise Refused(f"--job: expected at most {MOST} jobs, each name once; found {', '.join(names)}.")
    return jobs
