"""One mistake in the files of the example setup, and what the fault that names it must say."""

# file, text there, text instead, what the one fault must say
CASES = {
    "unknown key with the near one and its line": (
        "limits.toml", "disturbs_bodies = true ", "disturb_bodies = true ",
        ["[rules.machine-bay.temperature] disturb_bodies", "did you mean 'disturbs_bodies'", "line {line}"],
    ),
    "limit key that is nearly one": (
        "limits.toml", "span_1h_K = 0.5", "span_1h_k = 0.5",
        ["[rules.machine-bay.span-1h]", "did you mean 'span_1h_K'"],
    ),
    "centre without a scheme": (
        "service.toml", '# [centre]\n# url = "https://rooms.example:8060"', '[centre]\nurl = "rooms.example"',
        ["service.toml [centre] url: expected", "found 'rooms.example'"],
    ),
    "missing key": (
        "room.toml", 'custodian = "Greta Holm"', "",
        ["room.toml [room] custodian: expected a value, found nothing"],
    ),
    "text where a number is wanted": (
        "room.toml", "u_m = 0.02", 'u_m = "0.02"',
        ["[positions.bridge-table] u_m: expected a number, found '0.02'"],
    ),
    "not a number": (
        "limits.toml", "lower_degC = 19.5", "lower_degC = nan",
        ["[rules.machine-bay.temperature] lower_degC: expected a finite number, found nan"],
    ),
    "no such medium": (
        "room.toml", 'medium = "scale"', 'medium = "glass"',
        ["[positions.machine-scale] medium: expected one of air, part, scale", "found 'glass'"],
    ),
    "common cause of a zone that is none": (
        "alarms.toml", '["machine-bay", "plate-bench"]', '["machine-bay", "plate-bank"]',
        ["alarms.toml [notices] common_causes", "did you mean 'plate-bench'"],
    ),
    "zone in two common causes": (
        "alarms.toml", '["machine-bay", "plate-bench"] }', '["machine-bay"], heating = ["machine-bay"] }',
        ["[notices] common_causes: expected machine-bay in one of them", "air-handling and heating"],
    ),
    "no such zone": (
        "room.toml", 'zone = "machine-bay"\nmedium = "pressure"', 'zone = "machin-bay"\nmedium = "pressure"',
        ["[positions.barometer] zone", "did you mean 'machine-bay'", "'machin-bay'"],
    ),
    "no such time zone": (
        "room.toml", "Europe/Vienna", "Europe/Wien",
        ["[room] timezone: expected an IANA time zone", "'Europe/Wien'"],
    ),
    "position outside the room": (
        "room.toml", "xyz_m = [3.6, 3.8, 2.3]", "xyz_m = [3.6, 3.8, 23.0]",
        ["[positions.column-top] xyz_m: expected a position inside the room"],
    ),
    "outline the wrong way round": (
        "room.toml", "outline_m = [6.0, 0.6, 8.6, 2.8]", "outline_m = [8.6, 0.6, 6.0, 2.8]",
        ["[zones.plate-bench] outline_m: expected x0 < x1"],
    ),
    "unit of another quantity": (
        "probes.toml", 'unit = "hPa"', 'unit = "degC"',
        ["[probes.B1.channels.pressure] unit: expected one of Pa, hPa", "'degC'"],
    ),
    "pattern without the names of its values": (
        "probes.toml", "(?P<p>", "(?P<q>",
        ["[probes.B1.connection] pattern: expected the same names", "found q and p"],
    ),
    "pattern that is none": (
        "probes.toml", "pattern = 'P=(", "pattern = 'P=((",
        ["[probes.B1.connection] pattern: expected a regular expression"],
    ),
    "value of a channel that is not there": (
        "probes.toml", 'p = "pressure"', 'p = "presure"',
        ["[probes.B1.connection] values.p", "did you mean 'pressure'"],
    ),
    "probe nowhere placed": (
        "probes.toml", '[[placements]]\nprobe = "B1"\nposition = "barometer"\nfrom = 2026-10-01\n', "",
        ["[probes.B1]", "expected a table [[placements]]"],
    ),
    "placement at an unknown position": (
        "probes.toml", 'position = "column-top"', 'position = "colum-top"',
        ["probes.toml [placements #2] position", "did you mean 'column-top'"],
    ),
    "probe at two places": (
        "probes.toml", 'probe = "P2"\nposition = "column-top"', 'probe = "P1"\nposition = "column-top"',
        ["[placements #2] from: expected P1 at one position at a time"],
    ),
    "a day in quotes": (
        "probes.toml", "from = 2026-10-01", 'from = "2026-10-01"',
        ["[placements #1] from: expected a day, or a date and time, such as 2026-10", "found '2026-10-01'"],
    ),
    "a local time that comes twice": (
        "probes.toml", "from = 2026-10-01", "from = 2026-10-25T02:30:00",
        ["[placements #1] from: expected a local time that occurs once"],
    ),
    "serial number used twice": (
        "probes.toml", 'serial = "AG-0412"', 'serial = "AG-0411"',
        ["[probes.P2] serial: expected a serial number of its own, found that of P1"],
    ),
    "certificate of another serial number": (
        "certificates/AG-0412-T.toml", 'serial = "AG-0412"', 'serial = "AG-0413"',
        ["certificates/AG-0412-T.toml serial: expected that of the probe, 'AG-0412'"],
    ),
    "the sign of a correction": (
        "certificates/AG-0411-T.toml", "correction = -0.01", "correction = +0.01",
        ["AG-0411-T.toml [points #2] correction: expected reference - indication, which is -0.01"],
    ),
    "point without its reference": (
        "certificates/AG-0411-T.toml", "reference = 15.00\n", "",
        ["[points #1] reference: expected `reference` or `correction`, found neither"],
    ),
    "certificate number used twice": (
        "certificates/AG-0412-T.toml", 'number = "AG-0412-T"', 'number = "AG-0411-T"',
        ["AG-0412-T.toml number: expected a certificate name that is used once"],
    ),
    "limits the wrong way round": (
        "limits.toml", "lower_degC = 19.5\nupper_degC = 20.5", "lower_degC = 20.5\nupper_degC = 19.5",
        ["[rules.machine-bay.temperature]", "the lower limit below the upper one, found 20.5 and 19.5"],
    ),
    "no limit at all": (
        "limits.toml", "span_24h_K = 1.0", "",
        ["[rules.machine-bay.span-24h]", "found no limit"],
    ),
    "two kinds of limit in one rule": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nlower_degC = 19.0",
        ["[rules.machine-bay.span-24h]", "limits of different kinds"],
    ),
    "limit in a unit of another quantity": (
        "limits.toml", "span_24h_K = 1.0", 'span_24h_K = 1.0\nquantity = "pressure"',
        ["[rules.machine-bay.span-24h] span_24h_K", "'K' is no unit of pressure"],
    ),
    "rule of an unknown zone": (
        "limits.toml", "[rules.machine-bay.humidity]", "[rules.machine-bai.humidity]",
        ["[rules.machine-bai.humidity]", "did you mean 'machine-bay'"],
    ),
    "band narrower than its guard bands": (
        "limits.toml", "lower_degC = 19.5\nupper_degC = 20.5", "lower_degC = 19.95\nupper_degC = 20.05",
        ["[rules.machine-bay.temperature]", "limits at least 0.2 degC wide", "could never be stable"],
    ),
    "medium without a probe": (
        "limits.toml", 'media = ["air", "plate-top"]', 'media = ["plate-bottom"]',
        ["[rules.plate-bench.temperature] media", "no probe here could ever prove that this limit is kept"],
    ),
    "more probes needed than there are": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nneed = 3",
        ["[rules.machine-bay.span-24h] need: expected at least 3 channels"],
    ),
    "window too short for the sampling interval": (
        "limits.toml", "span_1h_K = 0.5", "span_2min_K = 0.5",
        ["[rules.machine-bay.span-1h]", "at least five sampling intervals"],
    ),
    "difference without a second medium": (
        "limits.toml", "span_24h_K = 1.0", "difference_K = 1.0",
        ["[rules.machine-bay.span-24h]", "two media with a probe in each, or two channels"],
    ),
    "bending of a plate of unknown expansion": (
        "limits.toml", "[rules.plate-bench.temperature]",
        '[rules.plate-bench.bending]\nbending_um = 3.0\nbasis = "flatness"\nplate_length_mm = 1000\n'
        "plate_thickness_mm = 150\nplate_alpha_per_K = 6.5e-6\n\n[rules.plate-bench.temperature]",
        ["[rules.plate-bench.bending] plate_u_alpha_per_K: expected a number", "found nothing"],
    ),
    "size of a plate beside another limit": (
        "limits.toml", "span_24h_K = 1.0", "span_24h_K = 1.0\nplate_length_mm = 1000",
        ["[rules.machine-bay.span-24h] plate_length_mm: expected bending_um as the limit"],
    ),
    "difference that no pair could prove": (
        "limits.toml", "span_24h_K = 1.0", 'difference_K = 0.1\nmedia = ["air", "scale"]',
        ["[rules.machine-bay.span-24h]", "as U is 0.14 K", "could never be stable"],
    ),
    "gradient without two probes far enough apart": (
        "limits.toml", "d_min_m = 0.3 ", "d_min_m = 3.0 ",
        ["[rules.machine-bay.gradient]", "no such pair among P1.temperature, P2.temperature"],
    ),
    "vertical gradient of two probes whose line leans": (
        "limits.toml", "gradient_pair_K_per_m = 0.25", "gradient_vertical_K_per_m = 0.5",
        ["[rules.machine-bay.gradient]", "P1–P2 leans 60° from plumb and counts as neither vertical nor"],
    ),
    "channel of another quantity": (
        "limits.toml", "span_24h_K = 1.0", 'span_24h_K = 1.0\nchannels = ["P1.relative_humidity"]',
        ["channels: expected channels of temperature, found P1.relative_humidity"],
    ),
    "alarm without action text": (
        "alarms.toml", 'action = "Close and oil', 'action = "" # "Close and oil',
        ["[alarms.bay-humidity] action: expected text that is not empty"],
    ),
    "alarm of an unknown rule": (
        "alarms.toml", 'rule = "machine-bay.temperature"', 'rule = "machine-bay.temprature"',
        ["[alarms.bay-temperature] rule", "did you mean 'machine-bay.temperature'"],
    ),
    "alarm by an unknown route": (
        "alarms.toml", '["screen", "duty"]', '["screen", "dutty"]',
        ["[alarms.bay-temperature] routes", "did you mean 'duty'"],
    ),
    "deadband in another unit": (
        "alarms.toml", "deadband_K = 0.05", "deadband_percent_RH = 0.05",
        ["[alarms.bay-temperature] deadband_percent_RH: expected deadband_K"],
    ),
    "profile of an unknown channel": (
        "profiles/barometer.toml", '"B1.pressure"', '"B1.presure"',
        ["profiles/barometer.toml [columns] channel", "did you mean 'B1.pressure'"],
    ),
    "profile with an unknown key": (
        "profiles/barometer.toml", "delimiter", "delimeter",
        ["profiles/barometer.toml delimeter", "did you mean 'delimiter'"],
    ),
    "TOML that is none": (
        "limits.toml", "lower_degC = 19.5", "lower_degC = ",
        ["limits.toml", "a syntax error", "line {line}"],
    ),
}  # fmt: skip
