"""The page of problems: `python -m logger.api.problems_page > docs/http-problems.md`."""

from .problem_kinds import KINDS

HEAD = """# Problems of the HTTP interface

A refusal is JSON of the type `application/problem+json` (RFC 9457). Its `type` is the address of a kind
below, which answers with the same words; `detail` says what it is about this time. A refusal changes nothing.
"""


def page() -> str:
    """The page as docs/ ships it."""
    parts = [
        f"\n## {kind.name}\n\n{int(kind.status)}: {kind.title}. {kind.meaning}\n\n{kind.remedy}\n"
        for kind in KINDS.values()
    ]
    return HEAD + "".join(parts)


if __name__ == "__main__":
    print(page(), end="")
