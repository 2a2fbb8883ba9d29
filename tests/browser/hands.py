"""Two ways of working a page: by keyboard alone with its scripts running, and by plain fields without any script."""

from playwright.sync_api import expect

SEARCH = "Serial, whole or in part"
MOST_TABS = 160
MOST_TRIES = 200
HEARD = """() => {
  if (!("keysHeard" in window)) {
    window.keysHeard = 0;
    addEventListener("keydown", () => { window.keysHeard += 1; }, true);
  }
  return new Promise((done) => requestAnimationFrame(() => done(window.keysHeard > 0)));
}"""


class Keyboard:
    """Reaches everything by Tab and types; a mouse is never moved."""

    has_scripts = True

    def __init__(self, page):
        self.page = page
        # Dialogues are caught from now on; asked for only when the key is pressed, the key may win and none is seen.
        page.on("filechooser", lambda _: None)

    def fill(self, label, text):
        """Go to a field and type into it, in place of what it holds."""
        self._go_to(self.page.get_by_label(label, exact=True))
        self.page.keyboard.press("Control+a")
        for line_number, line in enumerate(text.split("\n")):
            if line_number:
                self.page.keyboard.press("Enter")
            self.page.keyboard.type(line)

    def scan(self, label, text):
        """Type as a scanner does: the code, then Enter."""
        self.fill(label, text)
        self.page.keyboard.press("Enter")

    def choose(self, label, words):
        """Choose of a list by typing the beginning of the words."""
        self._go_to(self.page.get_by_label(label, exact=True))
        self.page.keyboard.type(words)

    def mark(self, group, words):
        """Choose one of a group of radio buttons."""
        self._go_to(self.page.get_by_role("group", name=group).get_by_label(words, exact=True))
        self.page.keyboard.press("Space")

    def upload(self, label, path):
        """Open the file dialogue by key and choose a file."""
        self._go_to(self.page.get_by_label(label, exact=True))
        with self.page.expect_file_chooser() as chooser:
            self.page.keyboard.press("Enter")
        chooser.value.set_files(path)

    def find(self, serial):
        """Look a serial up from wherever the page stands."""
        self.page.wait_for_load_state()
        wait_for_keys(self.page)
        self.page.keyboard.press("F2")
        expect(self.page.get_by_label(SEARCH)).to_be_focused()
        self.page.keyboard.type(serial)
        self.page.keyboard.press("Enter")

    def press(self, words):
        """Press a button or follow a link."""
        target = self.page.get_by_role("main").get_by_role("button", name=words)
        link = self.page.get_by_role("main").get_by_role("link", name=words)
        self._go_to(target.or_(link).locator("visible=true").first)
        self.page.keyboard.press("Enter")
        self.page.wait_for_load_state()

    def _go_to(self, target):
        target.wait_for()
        self.page.wait_for_load_state()
        wait_for_keys(self.page)
        for _ in range(MOST_TABS):
            if target.evaluate("element => element === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{target} cannot be reached by keyboard")


class Plain:
    """Fills fields and presses buttons of pages whose scripts do not run."""

    has_scripts = False

    def __init__(self, page):
        self.page = page

    def fill(self, label, text):
        """Fill a field."""
        self.page.get_by_label(label, exact=True).fill(text)

    def scan(self, label, text):
        """Fill a field and press Enter in it."""
        self.fill(label, text)
        self.page.get_by_label(label, exact=True).press("Enter")

    def choose(self, label, words):
        """Choose of a list."""
        field = self.page.get_by_label(label, exact=True)
        field.wait_for()
        options = field.locator("option").all_inner_texts()
        field.select_option(label=next(one for one in options if one.casefold().startswith(words.casefold())))

    def mark(self, group, words):
        """Choose one of a group of radio buttons."""
        self.page.get_by_role("group", name=group).get_by_label(words, exact=True).check()

    def upload(self, label, path):
        """Choose a file."""
        self.page.get_by_label(label, exact=True).set_input_files(path)

    def find(self, serial):
        """Look a serial up from wherever the page stands."""
        self.scan(SEARCH, serial)

    def press(self, words):
        """Press a button or follow a link."""
        target = self.page.get_by_role("main").get_by_role("button", name=words)
        link = self.page.get_by_role("main").get_by_role("link", name=words)
        target.or_(link).locator("visible=true").first.click()


def wait_for_keys(page):
    """Press a key without effect until the page hears it: a browser drops keys before a page is first drawn."""
    for _ in range(MOST_TRIES):
        if page.evaluate(HEARD):
            return
        page.keyboard.press("Shift")
    raise AssertionError("the page does not hear the keyboard")


def at(page, x, y):
    """Return where a place of the file lies on the screen, once the picture is in view."""
    return page.locator("svg.touched").evaluate(
        """(svg, [x, y]) => {
            svg.scrollIntoView({ block: "center" });
            const point = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
            return [point.x, point.y];
        }""",
        [x, y],
    )
