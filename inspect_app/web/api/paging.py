"""Lists page by page: opaque cursors that hold the last key seen, never a number of a page."""

import base64
import binascii
import json
from typing import Final
from urllib.parse import urlencode

from flask import request

from inspect_app.errors import UnusableInput
from inspect_app.storage.listing import Key
from inspect_app.web.fleet import LARGEST_KEY

_WRONG: Final = ("it is none of this list", "Follow `next`, or begin without one.")


def cursor_of(name: str, key: Key) -> str:
    """Return the cursor that reads a list on behind a key."""
    return base64.urlsafe_b64encode(json.dumps([name, key]).encode()).decode().rstrip("=")


def key_of(name: str, cursor: str | None, kind: type[int] | type[str]) -> Key | None:
    """Return the key in a cursor of a list.

    Raises
    ------
    UnusableInput
        It was not made for this list.
    """
    if cursor is None:
        return None
    try:
        found = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError) as error:
        raise UnusableInput("cursor", *_WRONG) from error
    is_ours = isinstance(found, list) and len(found) == 2 and found[0] == name and type(found[1]) is kind
    if not is_ours or (isinstance(found[1], int) and abs(found[1]) > LARGEST_KEY):
        raise UnusableInput("cursor", *_WRONG)
    key: Key = found[1]
    return key


def address_behind(name: str, key: Key) -> str:
    """Return where the list that was asked for goes on, behind a key."""
    return f"{request.path}?{urlencode({**request.args.to_dict(), 'cursor': cursor_of(name, key)})}"
