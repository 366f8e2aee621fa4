"""The exception that becomes a one-line message: what is wrong, where, and how to mend it."""

from patterns.text import shown_text


class BadInput(ValueError):
    """Input the user can mend.

    Parameters
    ----------
    what : str
        What is wrong, with the value that came.
    where : str
        File, line and cell, option or parameter; may be empty.
    mend : str
        What to do about it; may be empty.
    """

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.what = what
        self.where = where
        self.mend = mend
        super().__init__(self.line)

    @property
    def line(self) -> str:
        """The whole message on one line."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.mend:
            text = f"{text}; {self.mend}"
        return " ".join(shown_text(text).split())


class SpecError(BadInput):
    """A parameter of a pattern is out of range, or the piece does not fit the printer."""
