"""A visitor who reads pages and sends their forms, forgery token included, as a browser without script does."""

import re
from html import unescape

from werkzeug.test import TestResponse

TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')
HEADING = re.compile(r"<h1[^>]*>(.*?)</h1>", re.DOTALL)
OURS = {"Origin": "http://localhost"}


class Visitor:
    """One browser: its cookies, the page it is on, and that page's token."""

    def __init__(self, client):
        self.client = client
        self.page: TestResponse | None = None

    def get(self, path, **kwargs):
        """Open a page."""
        self.page = self.client.get(path, follow_redirects=True, buffered=True, **kwargs)
        return self.page

    def post(self, path, fields=None, **kwargs):
        """Send a form of the page at hand to a path, with the token that stands in that page."""
        body = {"csrf_token": self.token(), **(fields or {})}
        self.page = self.client.post(
            path,
            data=body,
            follow_redirects=True,
            buffered=True,
            headers=OURS,
            content_type="multipart/form-data",
            **kwargs,
        )
        return self.page

    def token(self):
        """Return the forgery token of the page at hand."""
        found = TOKEN.search(self.text())
        return found[1] if found else ""

    def text(self):
        """Return the page as it was sent."""
        return self.page.get_data(as_text=True) if self.page is not None else ""

    def heading(self):
        """Return the words of its h1."""
        found = HEADING.search(self.text())
        return unescape(re.sub(r"<[^>]+>", "", found[1])).strip() if found else ""

    def words(self):
        """Return the page as read: without tags, one space between words."""
        return " ".join(unescape(re.sub(r"<[^>]+>", " ", self.text())).split())

    def value_of(self, name):
        """Return what stands in an input field."""
        tag = re.search(rf'<input[^>]*name="{re.escape(name)}"[^>]*>', self.text())
        value = re.search(r'value="([^"]*)"', tag[0]) if tag else None
        return unescape(value[1]) if value else ""

    def tag_of(self, name):
        """Return the tag of the field with this id."""
        return re.search(rf'<(?:input|select|textarea)[^>]*id="{re.escape(name)}"[^>]*>', self.text())[0]

    def read_cautions(self):
        """Say that all cautions were read."""
        self.get("/ready/")
        names = re.findall(r'name="caution" value="([^"]+)"', self.text())
        return self.post("/ready/cautions", {"caution": names})

    def sign_in(self, login, password):
        """Go through the sign-in page."""
        self.get("/sign-in")
        return self.post("/sign-in", {"login": login, "password": password})
