"""Certificates made for tests, of no laboratory and no instrument: the schema's shape, invented numbers."""

from __future__ import annotations

from collections.abc import Sequence

Numbers = Sequence[float | str]


def numbers(values: Numbers) -> str:
    return " ".join(str(v) for v in values)


def listed(
    values: Numbers,
    unit: str,
    *,
    U: Numbers = (),
    k: Numbers = ("2",),
    dsi: str = "2.1",
    probability: str = "0.95",
) -> str:
    """A si:realListXMLList; D-SI 2.2 has other names for the uncertainty."""
    spread = f"<si:coverageFactorXMLList>{numbers(k)}</si:coverageFactorXMLList>"
    spread += f"<si:coverageProbabilityXMLList>{probability}</si:coverageProbabilityXMLList>"
    old = f"<si:expandedUncXMLList><si:uncertaintyXMLList>{numbers(U)}</si:uncertaintyXMLList>{spread}"
    old += "</si:expandedUncXMLList>"
    new = "<si:measurementUncertaintyUnivariateXMLList><si:expandedMUXMLList><si:valueExpandedMUXMLList>"
    new += f"{numbers(U)}</si:valueExpandedMUXMLList>{spread}</si:expandedMUXMLList>"
    new += "</si:measurementUncertaintyUnivariateXMLList>"
    return (
        f"<si:realListXMLList><si:valueXMLList>{numbers(values)}</si:valueXMLList>"
        f"<si:unitXMLList>{unit}</si:unitXMLList>{'' if not U else old if dsi == '2.1' else new}"
        "</si:realListXMLList>"
    )


def single(value: float, unit: str, *, U: float | None = None, k: float = 2, dsi: str = "2.1") -> str:
    """A si:real."""
    rest = f"<si:coverageFactor>{k}</si:coverageFactor><si:coverageProbability>0.95</si:coverageProbability>"
    old = f"<si:expandedUnc><si:uncertainty>{U}</si:uncertainty>{rest}</si:expandedUnc>"
    new = "<si:measurementUncertaintyUnivariate><si:expandedMU>"
    new += f"<si:valueExpandedMU>{U}</si:valueExpandedMU>{rest}</si:expandedMU>"
    new += "</si:measurementUncertaintyUnivariate>"
    stated = "" if U is None else old if dsi == "2.1" else new
    return f"<si:real><si:value>{value}</si:value><si:unit>{unit}</si:unit>{stated}</si:real>"


def hybrid(*parts: str) -> str:
    return f"<si:hybrid>{''.join(parts)}</si:hybrid>"


def quantity(words: str, values: str) -> str:
    """A dcc:quantity named in two languages."""
    return (
        f'<dcc:quantity refType="{words}"><dcc:name><dcc:content lang="de">Größe {words}</dcc:content>'
        f'<dcc:content lang="en">quantity {words}</dcc:content></dcc:name>{values}</dcc:quantity>'
    )


def result(*quantities: str, words: str = "", name: str = "Temperature", nested: bool = True) -> str:
    """A dcc:result whose quantities stand in a list, or in the data itself."""
    inside = f"<dcc:list>{''.join(quantities)}</dcc:list>" if nested else "".join(quantities)
    return (
        f'<dcc:result refType="{words}"><dcc:name><dcc:content lang="de">Ergebnis</dcc:content>'
        f'<dcc:content lang="en">{name}</dcc:content></dcc:name><dcc:data>{inside}</dcc:data></dcc:result>'
    )


def temperature(dsi: str = "2.1", words: str = "") -> str:
    """Reference 20.1, 15.0, 30.0 degC, indications 19.7, 15.02, 30.04, not in order; U = 0.06 K."""
    return result(
        quantity("basic_referenceValue temperature_ITS-90", listed([20.1, 15.0, 30.0], r"\degreecelsius")),
        quantity("basic_measuredValue", listed([19.7, 15.02, 30.04], r"\degreecelsius")),
        quantity(
            "basic_measurementError temperature_error",
            listed([-0.4, 0.02, 0.04], r"\kelvin", U=[0.06], dsi=dsi),
        ),
        words=words,
    )


def humidity(dsi: str = "2.1") -> str:
    """Relative humidity 30, 50, 70 in two units; the uncertainty 0.012 of 1 in the first of them alone."""

    def both(percent: Sequence[float], U: Numbers = ()) -> str:
        return hybrid(
            listed([round(p / 100, 6) for p in percent], r"\one", U=U, dsi=dsi), listed(percent, r"\percent")
        )

    return result(
        quantity("basic_referenceValue humidity_relative", both([30.0, 50.0, 70.0])),
        quantity("basic_measuredValue humidity_relative", both([30.5, 50.2, 69.1], U=[0.012])),
        name="Relative humidity",
    )


def certificate(
    *results: str,
    version: str = "3.2.1",
    number: str = "MADE-0411",
    due: str = "2027-09-08",
    serial: str = "AG-0411",
    signed: bool = False,
    words: str = "",
    equipment: str = "",
    head: str = '<?xml version="1.0" encoding="UTF-8"?>',
) -> bytes:
    """A whole certificate; without results: temperature and humidity, as its version writes them."""
    dsi = "2.2" if version.startswith("3.3") else "2.1"
    inside = results or (temperature(dsi), humidity(dsi))
    statement = (
        '<dcc:statements><dcc:statement refType="basic_other basic_recalibration"><dcc:name>'
        '<dcc:content lang="en">recommended recalibration</dcc:content></dcc:name>'
        f"<dcc:date>{due}</dcc:date></dcc:statement></dcc:statements>"
    )
    signature = '<ds:Signature xmlns:ds="http://www.w3.org/2000/09/xmldsig#"><ds:SignedInfo/></ds:Signature>'
    return f"""{head}
<dcc:digitalCalibrationCertificate xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si"
    schemaVersion="{version}">
  <!-- a comment that says nothing -->
  <dcc:administrativeData>
    <dcc:coreData>
      <dcc:countryCodeISO3166_1>AT</dcc:countryCodeISO3166_1>
      <dcc:usedLangCodeISO639_1>de</dcc:usedLangCodeISO639_1>
      <dcc:usedLangCodeISO639_1>en</dcc:usedLangCodeISO639_1>
      <dcc:uniqueIdentifier>{number}</dcc:uniqueIdentifier>
      <dcc:beginPerformanceDate>2026-09-07</dcc:beginPerformanceDate>
      <dcc:endPerformanceDate>2026-09-08</dcc:endPerformanceDate>
    </dcc:coreData>
    <dcc:items>
      <dcc:item>
        <dcc:name><dcc:content lang="en">Combined probe</dcc:content></dcc:name>
        <dcc:manufacturer><dcc:name><dcc:content>Nobody</dcc:content></dcc:name></dcc:manufacturer>
        <dcc:model>C-2</dcc:model>
        <dcc:identifications>
          <dcc:identification refType="basic_serialNumber">
            <dcc:issuer>manufacturer</dcc:issuer><dcc:value>{serial}</dcc:value>
          </dcc:identification>
          <dcc:identification><dcc:issuer>customer</dcc:issuer><dcc:value>INV-17</dcc:value></dcc:identification>
        </dcc:identifications>
      </dcc:item>
    </dcc:items>
    <dcc:calibrationLaboratory>
      <dcc:calibrationLaboratoryCode>invented, TF-018</dcc:calibrationLaboratoryCode>
      <dcc:contact><dcc:name>
        <dcc:content lang="de">Kalibrierlabor Traunfeld</dcc:content>
        <dcc:content lang="en">Traunfeld Calibration Laboratory</dcc:content>
      </dcc:name></dcc:contact>
    </dcc:calibrationLaboratory>
    {statement if due else ""}
  </dcc:administrativeData>
  <dcc:measurementResults>
    <dcc:measurementResult refType="{words}">
      <dcc:name>
        <dcc:content lang="de">Messung</dcc:content><dcc:content lang="en">Measurement</dcc:content>
      </dcc:name>
      {equipment}
      <dcc:results>{"".join(inside)}</dcc:results>
    </dcc:measurementResult>
  </dcc:measurementResults>
  {signature if signed else ""}
</dcc:digitalCalibrationCertificate>
""".encode()
