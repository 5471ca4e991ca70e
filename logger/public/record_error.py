"""What is raised where there is no record."""

from logger.errors import StillroomError


class RecordError(StillroomError):
    """There is no record in the folder."""
