"""How a page looks: in which theme, and what axe-core has to say of it."""

from axe_playwright_python.sync_playwright import Axe

COLOUR = ("color-contrast", "link-in-text-block")
OTHER_THEMES = ("dark", "dark-room")
ABOUT_COLOUR = """async ([theme, rules]) => {
  document.documentElement.dataset.theme = theme;
  return await axe.run({ runOnly: { type: "rule", values: rules }, resultTypes: ["violations"] });
}"""


def wear(page, theme):
    """Choose a theme as its button does: for every page of the server."""
    page.context.add_cookies([{"name": "theme", "value": theme, "domain": "127.0.0.1", "path": "/"}])


def complaints(page):
    """Return every rule that the page breaks as it stands."""
    return _told(page, Axe().run(page).response)


def complaints_in_every_theme(page):
    """Return every rule that the page breaks; what a theme changes is colour alone, so the others are asked of that."""
    page.evaluate("document.documentElement.dataset.theme = 'light'")
    found = complaints(page)
    for theme in OTHER_THEMES:
        found += [(theme, *told) for told in _told(page, page.evaluate(ABOUT_COLOUR, [theme, COLOUR]))]
    return found


def _told(page, response):
    return [(page.url, rule["id"], node["html"][:120]) for rule in response["violations"] for node in rule["nodes"]]
