"""What the planner refuses, and which answer a page gives for it."""


class PlannerError(Exception):
    """A request that cannot be served as asked; the text is one line for a person."""

    status = 400


class NotFound(PlannerError):
    """The thing asked for is not there."""

    status = 404


class Conflict(PlannerError):
    """Somebody else changed it in the meantime, or its state does not allow this now."""

    status = 409


class Refused(PlannerError):
    """An input that was read and found wrong; nothing of it was kept."""

    status = 422


class Forbidden(PlannerError):
    """The person's role does not allow this."""

    status = 403


class TooMany(PlannerError):
    """Asked too often; it is open again after a while."""

    status = 429
