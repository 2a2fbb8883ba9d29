"""The few settings of an installation, read from the environment in this one place."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from inspect_app.definitions import forms_folder
from inspect_app.errors import UnusableInput

INSTANCE: Final = "INSPECT_APP_INSTANCE"
DATABASE_URL: Final = "INSPECT_APP_DATABASE_URL"
ISSUER: Final = "INSPECT_APP_ISSUER"
SIGNING_KEY: Final = "INSPECT_APP_SIGNING_KEY"
SIGNING_PASSPHRASE: Final = "INSPECT_APP_SIGNING_PASSPHRASE"  # noqa: S105 (the name of a variable)
SELF_APPROVAL: Final = "INSPECT_APP_SELF_APPROVAL"
ADDRESS: Final = "INSPECT_APP_ADDRESS"
PAPER: Final = "INSPECT_APP_PAPER"
QUEUE_URL: Final = "INSPECT_APP_QUEUE_URL"
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
    given_signing_key : Path or None
        PKCS #12 file of the organisation, with which documents are sealed in place of a seal of our own.
    signing_passphrase : str
        Of the seal; one made without is protected by the permissions of its file alone.
    is_self_approved : bool
        Whether who signed an inspection may issue its document too; otherwise an approver other than them has to.
    address : str
        Where this record is reached by people, such as ``https://inspection.example``; printed in the QR code.
    paper : str
        ``A4`` or ``Letter``.
    queue_url : str
        Redis that holds the queue of background work; empty for a SQLite file in the instance folder.
    """

    instance: Path
    database_url: str
    issuer: str
    forms_folder: Path
    given_database_url: str | None = None
    given_signing_key: Path | None = None
    signing_passphrase: str = field(default="", repr=False)
    is_self_approved: bool = False
    address: str = ""
    paper: str = "A4"
    queue_url: str = ""

    @property
    def signing_key(self) -> Path:
        """PKCS #12 file with the seal of documents."""
        return self.given_signing_key or self.instance / "seal.p12"

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
        given_signing_key=Path(key).expanduser().resolve() if (key := environment.get(SIGNING_KEY)) else None,
        signing_passphrase=environment.get(SIGNING_PASSPHRASE, ""),
        is_self_approved=_chosen(environment, SELF_APPROVAL, ("no", "yes")) == "yes",
        address=environment.get(ADDRESS, "").strip().rstrip("/"),
        paper=_chosen(environment, PAPER, ("A4", "Letter")),
        queue_url=environment.get(QUEUE_URL, "").strip(),
    )


def _chosen(environment: Mapping[str, str], name: str, choices: tuple[str, ...]) -> str:
    """Return the one of the choices that is set, the first where none is; a misspelt one is refused."""
    typed = environment.get(name, "").strip()
    found = next((choice for choice in choices if choice.lower() == typed.lower()), None if typed else choices[0])
    if found is None:
        raise UnusableInput(name, f"'{typed[:40]}' is none of its values", f"Set it to {' or '.join(choices)}.")
    return found


def password_in_environment(environment: Mapping[str, str] = os.environ) -> str | None:
    """Return the new password that a script sets for an account without typing it."""
    return environment.get(NEW_PASSWORD) or None


def _usual_instance() -> Path:
    here = Path.cwd()
    return here / "instance" if (here / "forms").is_dir() else Path.home() / ".local" / "share" / "inspect-app"
