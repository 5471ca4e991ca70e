"""Writes the description of the interface, as it is shipped: `python -m logger.api > docs/openapi.json`."""

import json

from .description import description

print(json.dumps(description(), indent=2, ensure_ascii=False))
