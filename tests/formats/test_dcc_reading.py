"""Certificates of each schema version, and each trap that real ones hold. All of them are made here."""

from __future__ import annotations

import hashlib
from datetime import date

import pytest

from logger.errors import CertificateRefused
from logger.formats.dcc import Dcc, PointTable, TablePoint, content_of, read, text_of
from tests.formats import certificates

VERSIONS = ["3.1.0", "3.1.2", "3.2.0", "3.2.1", "3.3.0"]


def read_made(*results: str, **changed: object) -> Dcc:
    return read(certificates.certificate(*results, **changed), "certificates.xml")  # type: ignore[arg-type]


def only(*results: str, **changed: object) -> PointTable:
    (table,) = read_made(*results, **changed).tables
    return table


def numbers(table: PointTable) -> list[tuple[float, float, float, float]]:
    return [(p.reference, p.indication, p.correction, round(p.U, 6)) for p in table.points]


@pytest.mark.parametrize("version", VERSIONS)
def test_every_version_reads_the_same(version: str) -> None:
    """D-SI 2.1 below 3.3, D-SI 2.2 with its other names in 3.3."""
    temperature, humidity = read_made(version=version).tables
    assert (temperature.quantity, temperature.unit, temperature.k) == ("temperature", "degC", 2.0)
    assert numbers(temperature) == [
        (15.0, 15.02, -0.02, 0.06), (20.1, 19.7, 0.4, 0.06), (30.0, 30.04, -0.04, 0.06)
    ]  # fmt: skip
    assert (humidity.quantity, humidity.unit) == ("relative_humidity", "%RH")
    assert numbers(humidity) == [(30.0, 30.5, -0.5, 1.2), (50.0, 50.2, -0.2, 1.2), (70.0, 69.1, 0.9, 1.2)]


def test_the_head() -> None:
    content = certificates.certificate(signed=True)
    result = read(content, "certificates.xml")
    assert (result.number, result.schema_version) == ("MADE-0411", "3.2.1")
    assert result.issuer == "Traunfeld Calibration Laboratory"  # English of two languages
    assert result.accreditation == "invented, TF-018"
    assert (result.calibrated_on, result.due_on) == (date(2026, 9, 8), date(2027, 9, 8))
    assert result.items[0].marks == ("AG-0411", "INV-17")
    assert (result.items[0].manufacturer, result.items[0].model) == ("Nobody", "C-2")
    assert result.signed
    assert result.sha256 == hashlib.sha256(content).hexdigest()


def test_a_due_day_need_not_be_stated() -> None:
    assert read_made(due="").due_on is None


def test_uncertainty_in_the_first_list_of_a_hybrid_alone() -> None:
    """0.012 of 1 is 1.2 %RH."""
    assert {p.U for p in only(certificates.humidity()).points} == {1.2}


def test_the_worked_point_of_a_turned_sign() -> None:
    """An error of −0.4 K makes an indication of 19.7 read 20.1 degC."""
    point = only(
        certificates.result(
            certificates.quantity("basic_measuredValue", certificates.listed([19.7], r"\degreecelsius")),
            certificates.quantity("basic_measurementError", certificates.listed([-0.4], r"\kelvin", U=[0.1])),
        )
    ).points[0]
    assert point == TablePoint(reference=20.1, indication=19.7, correction=0.4, U=0.1)


def test_reference_and_error_give_the_indication() -> None:
    table = only(
        certificates.result(
            certificates.quantity("basic_referenceValue", certificates.listed([293.15], r"\kelvin")),
            certificates.quantity(
                "basic_measurementError", certificates.listed([50], r"\milli\kelvin", U=[100])
            ),
        )
    )
    assert numbers(table) == [(20.0, 20.05, -0.05, 0.1)]


def test_an_error_with_the_sign_of_a_correction_is_not_used() -> None:
    result = certificates.result(
        certificates.quantity("basic_referenceValue", certificates.listed([20.1, 30.1], r"\degreecelsius")),
        certificates.quantity("basic_measuredValue", certificates.listed([19.7, 30.5], r"\degreecelsius")),
        certificates.quantity(
            "basic_measurementError", certificates.listed([0.4, -0.4], r"\kelvin", U=[0.1])
        ),
    )
    with pytest.raises(CertificateRefused, match="its sign is that of a correction"):
        read_made(result)


def test_coverage_factors_of_each_point_and_of_all() -> None:
    """U = 0.06 with k = 2, 0.075 with k = 2.5, are the same u; one factor is spread over all."""

    def points(U: list[float], k: list[str]) -> set[float]:
        return {
            p.U
            for p in only(
                certificates.result(
                    certificates.quantity(
                        "basic_referenceValue", certificates.listed([10, 20], r"\degreecelsius")
                    ),
                    certificates.quantity(
                        "basic_measuredValue", certificates.listed([11, 21], r"\degreecelsius", U=U, k=k)
                    ),
                )
            ).points
        }

    assert points([0.06, 0.075], ["2", "2.5"]) == {0.06}
    assert points([0.06, 0.06], ["2"]) == {0.06}


def test_uncertainties_of_both_values_are_added_in_squares() -> None:
    table = only(
        certificates.result(
            certificates.quantity(
                "basic_referenceValue", certificates.listed([20], r"\degreecelsius", U=[0.03])
            ),
            certificates.quantity(
                "basic_measuredValue", certificates.listed([20], r"\degreecelsius", U=[0.04])
            ),
        )
    )
    assert pytest.approx(0.05) == table.points[0].U


def test_up_and_down_are_merged_with_half_their_difference() -> None:
    """20 → 50 → 80 → 50 %RH, corrections at 50: −0.20 and +0.40; U = 0.8: 2·√(0.4² + 0.3²/3) = 0.872."""
    table = only(
        certificates.result(
            certificates.quantity(
                "basic_referenceValue", certificates.listed([20, 50.0, 80, 50.1], r"\percent")
            ),
            certificates.quantity(
                "basic_measuredValue", certificates.listed([20.5, 50.2, 80.6, 49.7], r"\percent", U=[0.8])
            ),
        )
    )
    assert [p.merged for p in table.points] == [1, 2, 1]
    middle = table.points[1]
    assert (middle.indication, middle.correction) == (49.95, 0.1)
    assert pytest.approx(0.8718, abs=1e-4) == middle.U


@pytest.mark.parametrize("dsi", ["2.1", "2.2"])
def test_single_values_and_quantities_outside_a_list(dsi: str) -> None:
    table = only(
        certificates.result(
            certificates.quantity("basic_referenceValue", certificates.single(1013.2, r"\hecto\pascal")),
            certificates.quantity(
                "basic_measuredValue", certificates.single(1013.0, r"\hecto\pascal", U=0.2, dsi=dsi)
            ),
            nested=False,
        )
    )
    assert (table.quantity, table.unit) == ("pressure", "Pa")
    assert numbers(table) == [(101320.0, 101300.0, 20.0, 20.0)]


def test_as_found_and_as_left_are_told_apart() -> None:
    before, after = read_made(
        certificates.temperature(words="basic_beforeAdjustment x"),
        certificates.temperature(words="basic_afterAdjustment"),
    ).tables
    assert (before.taken, after.taken) == ("as found", "as left")


def test_what_cannot_be_used_is_told_and_hides_nothing_else() -> None:
    """Resistance in base units stands beside the temperature that it was taken for."""
    ohms = certificates.result(
        certificates.quantity(
            "basic_measuredValue", certificates.listed([100], r"\kilogram\metre\tothe{2}\second\tothe{-3}")
        ),
        name="Resistance",
    )
    result = read_made(certificates.temperature(), ohms)
    assert [t.quantity for t in result.tables] == ["temperature"]
    assert "Resistance" in result.left_out[0]
    assert "kilogram" in result.left_out[0]


BAD_LISTS = {
    "no expanded uncertainty": certificates.listed([20], r"\degreecelsius"),
    "2 uncertainties for 1 values": certificates.listed([20], r"\degreecelsius", U=[0.1, 0.2]),
    "no number": certificates.listed(["20,1"], r"\degreecelsius", U=[0.1]),
    "no finite value": certificates.listed(["NaN"], r"\degreecelsius", U=[0.1]),
    "lists of different lengths": certificates.listed([20, 21, 22], r"\degreecelsius", U=[0.1]),
    "not above zero": certificates.listed([20], r"\degreecelsius", U=[0]),
    "the unit not stated": certificates.listed([20], "", U=[0.1]).replace(
        "<si:unitXMLList></si:unitXMLList>", ""
    ),
}


@pytest.mark.parametrize("expected", BAD_LISTS)
def test_a_table_without_what_it_needs_is_refused(expected: str) -> None:
    reference = certificates.listed([20, 21] if "lengths" in expected else [20], r"\degreecelsius")
    bad = certificates.result(
        certificates.quantity("basic_referenceValue", reference),
        certificates.quantity("basic_measuredValue", BAD_LISTS[expected]),
    )
    with pytest.raises(CertificateRefused) as refused:
        read_made(bad)
    if "unit" not in expected:
        assert expected in str(refused.value)
    else:
        assert "units for 1 values" in str(refused.value)


@pytest.mark.parametrize("encoding", ["UTF-8", "UTF-16", "ISO-8859-1"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_bytes_survive_as_text(encoding: str, ends: str) -> None:
    """A signature covers the bytes, so that a stored setup must give back the very same."""
    text = certificates.certificate(head=f'<?xml version="1.0" encoding="{encoding}"?>').decode()
    content = text.replace("\n", ends).encode(encoding)
    assert content_of(text_of(content)) == content
    assert read(content, "certificates.xml").number == "MADE-0411"
