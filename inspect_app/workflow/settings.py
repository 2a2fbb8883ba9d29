"""The few settings of an installation, read from the environment in this one place."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from inspect_app.definitions import forms_folder

INSTANCE: Final = "INSPECT_APP_INSTANCE"
DATABASE_URL: Final = "INSPECT_APP_DATABASE_URL"
ISSUER: Final = "INSPECT_APP_ISSUER"
NEW_PASSWORD: Final = "INSPECT_APP_NEW_PASSWORD"  # noqa: S105 (the name of a variable)
_RECORD: Final = "record.db"
_UNNAMED_ISSUER: Final = f"Issuer not named (set {ISSUER})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Where the record lives, and who issues its documents.

    Parameters
    ----------
    instance : Path
        Folder of the record, the evidence, the documents and the keys.
    database_url : str
        SQLite in the instance folder unless another is given.
    issuer : str
        Name, and after line breaks the address, printed on documents.
    forms_folder : Path
        Folder of the forms.
    given_database_url : str or None
        The URL, where one was given.
    """

    instance: Path
    database_url: str
    issuer: str
    forms_folder: Path
    given_database_url: str | None = None

    @property
    def record_path(self) -> Path:
        """The record, where it is a SQLite file."""
        return self.instance / _RECORD

    @property
    def evidence_folder(self) -> Path:
        """The files kept under their digest."""
        return self.instance / "evidence"

    @property
    def documents_folder(self) -> Path:
        """Copies of issued documents under their number."""
        return self.instance / "documents"


def read_settings(
    environment: Mapping[str, str] = os.environ, *, instance: Path | None = None, database_url: str | None = None
) -> Settings:
    """Return the settings; what is given here goes before the environment."""
    folder = instance or Path(environment.get(INSTANCE) or _usual_instance())
    folder = folder.expanduser().resolve()
    given = database_url or environment.get(DATABASE_URL) or None
    return Settings(
        instance=folder,
        database_url=given or f"sqlite:///{folder / _RECORD}",
        issuer=environment.get(ISSUER, "").replace("\\n", "\n").strip() or _UNNAMED_ISSUER,
        forms_folder=forms_folder(),
        given_database_url=given,
    )


def password_in_environment(environment: Mapping[str, str] = os.environ) -> str | None:
    """Return the new password that a script sets for an account without typing it."""
    return environment.get(NEW_PASSWORD) or None


def _usual_instance() -> Path:
    here = Path.cwd()
    return here / "instance" if (here / "forms").is_dir() else Path.home() / ".local" / "share" / "inspect-app"
