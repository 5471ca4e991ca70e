"""What the keys of service.toml mean by which answers go out: to measuring programs, programs, a broker."""

from __future__ import annotations

from collections.abc import Mapping

OUTGOING: Mapping[str, Mapping[str, str]] = {
    "conditions": {
        "folder": "folder for the conditions of each inspection; relative: in the data folder",
        "forms": "forms of the files: `json`, `csv`, `line` (the stamp alone), `dcc` (certificate fragment)",
        "dcc_schema": "schema of the fragment; `3.3` has not been validated",
        "kelvin": "`true`: the fragment has temperatures in K, too",
    },
    "api": {
        "burst": "requests allowed at once from one token over HTTP; pushed readings are never slowed down",
        "rate_per_s": "requests a second after that",
    },
    "publish": {
        "url": "the broker (MQTT 5) that verdicts go to: `mqtt://HOST:PORT`, or `mqtts://` over TLS",
        "prefix": "topics begin like this: `PREFIX/zones/ZONE/verdict`, `PREFIX/state`",
        "user": "name at the broker",
        "password_env": "environment variable with the password",
        "ca_file": "certificate by which the broker's is checked; empty: those of the system",
        "keeps_s": "after this long the broker drops a verdict that was not renewed",
    },
}
