"""The HTTP interface for machines: push readings, ask for verdicts and readings, start and stop inspections.

    blueprint(store)    its routes, to be served beside the pages
    create_api(store)   the same as an application of its own
    description()       the OpenAPI document, as shipped in docs/openapi.json
    end_streams(app)    ends its event streams, before the server stops

Nothing of it knows a page. Every route names the scope that a token must have; only the description and the
kinds of problems are open.
"""

from .description import description
from .door import Door
from .routes import NAME, blueprint, create_api, end_streams

__all__ = ["NAME", "Door", "blueprint", "create_api", "description", "end_streams"]
