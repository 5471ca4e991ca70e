"""The HTTP interface for machines: push readings, ask for verdicts and excursions, start and stop jobs.

    blueprint(store)    its routes, to be served beside the pages
    create_api(store)   the same as an application of its own
    description()       the OpenAPI document, as shipped in docs/openapi.json

Nothing of it knows a page. Every route names the scope that a token must have; only the description is open.
"""

from .description import description
from .door import Door
from .routes import blueprint, create_api

__all__ = ["Door", "blueprint", "create_api", "description"]
