"""A month or a year as a workbook."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ..errors import Refused
from ..model.figures import number_of
from .context import open_session
from .options import DEFAULT_DATA, AnyZone, Config, Data


def workbook(
    *,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Workbook to write (.xlsx).")],
    month: Annotated[str, typer.Option("--month", metavar="MONTH", help="As in 2026-10.")] = "",
    year: Annotated[str, typer.Option("--year", metavar="YEAR", help="As in 2026.")] = "",
    zone: AnyZone = None,
    unit: Annotated[
        str, typer.Option("--unit", metavar="degC|degF", help="Of temperatures; differences go with it.")
    ] = "degC",
    data: Data = DEFAULT_DATA,
    config: Config = None,
) -> None:
    """A month by days or a year by months as a workbook with charts: for managers, not a record.

    Its sums are those of `review year`. It is not signed; the record is the PDF of each month.

    \b
    Examples:
      stillroom record workbook --month 2026-10 --out october.xlsx
      stillroom record workbook --year 2026 --zone machine-bay --unit degF --out year.xlsx
    """
    from ..handouts import workbook as making
    from ..store.files import write_durably

    if bool(month) == bool(year):
        raise Refused("Expected one of --month 2026-10 and --year 2026.")
    if unit not in making.UNITS:
        raise Refused(f"--unit: expected one of {', '.join(making.UNITS)}, found {unit!r}.")
    if len(month or year) != (7 if month else 4):
        raise Refused(f"Expected a month 2026-10 or a year 2026, found {month or year!r}.")
    with open_session(data, config) as session:
        zones = [z.key for z in session.setup.zones_now()] if zone is None else [zone]
        for key in zones:
            session.setup.zone(key)
        verdicts = session.verdicts()
        facts = making.workbook_facts(verdicts, month or year, zones, session.now_ns)
        if facts.span[1] <= facts.span[0]:
            raise Refused(f"{facts.label} has not begun; there is nothing to write.")
        content = making.workbook(session.store, verdicts, facts, session.now_ns, unit)
    write_durably(out, content)
    typer.echo(f"{facts.label}, {number_of(len(zones), 'zone')}, in {out}.")
