"""A program that asks the interface with a token, as one at a bench does."""

import itertools
import json

from inspect_app import workflow
from inspect_app.model import Scope

_KEYS = itertools.count(1)
ROOT = "/api/v1"


class Program:
    """One token, and what is asked with it."""

    def __init__(self, client, secret):
        self.client = client
        self.headers = {"Authorization": f"Bearer {secret}"}

    def get(self, path, **headers):
        """Read something, at an address of its own or below the root."""
        address = path if path.startswith(ROOT) else ROOT + path
        return self.client.get(address, headers={**self.headers, **_named(headers)}, buffered=True)

    def post(self, path, values=None, *, key=None, kind="application/json", **headers):
        """Send values as JSON, or bytes as they are."""
        sent = {**self.headers, "Idempotency-Key": key or f"key-{next(_KEYS)}", **_named(headers)}
        body = values if isinstance(values, bytes) else json.dumps(values).encode()
        return self.client.post(ROOT + path, data=body, content_type=kind, headers=sent, buffered=True)

    def keep(self, name, content, **more):
        """Send the bytes of a file."""
        return self.post(f"/captures?name={name}", content, kind="application/octet-stream", **more)


def _named(headers):
    return {name.replace("_", "-"): value for name, value in headers.items()}


def secret_of(place, login, *scopes, days=30):
    """Make a token in somebody's name, of all scopes unless some are named, and return its secret."""
    owner = next(one for one in workflow.accounts(place) if one.login == login)
    return workflow.make_token(place, None, owner, "bench computer", scopes or tuple(Scope), days=days).secret
