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
    """

    instance: Path
    database_url: str
    issuer: str
    forms_folder: Path

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
    url = database_url or environment.get(DATABASE_URL) or f"sqlite:///{folder / 'record.db'}"
    return Settings(
        instance=folder,
        database_url=url,
        issuer=environment.get(ISSUER, "").replace("\\n", "\n").strip() or _UNNAMED_ISSUER,
        forms_folder=forms_folder(),
    )


def _usual_instance() -> Path:
    here = Path.cwd()
    return here / "instance" if (here / "forms").is_dir() else Path.home() / ".local" / "share" / "inspect-app"
