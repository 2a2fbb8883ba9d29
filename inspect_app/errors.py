"""The errors that a person can do something about: where, what was seen, what to do next."""


class InspectError(Exception):
    """An expected failure, told to the person at the bench in one line.

    Parameters
    ----------
    where : str
        The file, field, option or serial concerned.
    problem : str
        What was seen, naming the value.
    remedy : str
        What to do next.
    """

    exit_status = 2

    def __init__(self, where: str, problem: str, remedy: str) -> None:
        super().__init__(where, problem, remedy)
        self.where = where
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.where}: {self.problem.rstrip('.')}. {self.remedy}"


class UnusableInput(InspectError):
    """A file, an option or an answer cannot be used as it is."""


class NothingToMeasure(InspectError):
    """The input is readable, but holds nothing that this check can measure."""

    exit_status = 3


class EditConflict(InspectError):
    """Somebody else recorded a newer answer in the meantime."""


class NotFound(InspectError):
    """What was asked for is not in the record."""


class NotAllowed(InspectError):
    """The person, or the state of the record, does not permit the act."""


class Damaged(InspectError):
    """The record does not agree with its own digests."""

    exit_status = 1
