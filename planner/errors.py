"""What the planner refuses, and which answer a page gives for it."""

from engine.errors import one_line


class PlannerError(Exception):
    """A request that cannot be served as asked; the text is one line for a person.

    Parameters
    ----------
    text : str
        What of it cannot be shown, out of a file or a form say, becomes a question mark [-].
    """

    status = 400

    def __init__(self, text: str = "") -> None:
        super().__init__(one_line(text))


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
