"""What a browser remembers of its person's choices: the theme, and whether keys outside fields do anything."""

DIALOG, SCRIPT = "data-keys", "scan.js"


def test_the_theme_is_kept_in_the_browser_and_leads_back_to_the_page(visitor):
    visitor.get("/sign-in")

    page = visitor.post("/theme", {"theme": "dark-room", "back": "/help"})

    assert page.request.path == "/help"
    assert '<html lang="en" data-theme="dark-room">' in visitor.text()


def test_a_theme_that_does_not_exist_is_not_worn(visitor):
    visitor.get("/sign-in")

    visitor.post("/theme", {"theme": 'dark"><script>', "back": "/help"})

    assert '<html lang="en">' in visitor.text()


def test_keys_outside_fields_are_turned_off_and_on_where_they_are_listed(inspector):
    """WCAG 2.2, 2.1.4: what a single character does can be turned off; without its script it does nothing."""
    inspector.get("/help?from=here")
    assert (DIALOG in inspector.text(), SCRIPT in inspector.text()) == (True, True)
    back = inspector.value_of("back")

    page = inspector.post("/keys", {"keys": "off", "back": back})
    assert page.request.full_path == "/help?from=here"
    assert "Keys outside fields are off in this browser" in inspector.words()
    inspector.get("/lots/")
    assert (DIALOG in inspector.text(), SCRIPT in inspector.text()) == (False, False)

    inspector.get("/help")
    inspector.post("/keys", {"keys": "on", "back": back})
    assert (DIALOG in inspector.text(), SCRIPT in inspector.text()) == (True, True)


def test_a_choice_of_keys_that_does_not_exist_changes_nothing(inspector):
    inspector.get("/help")

    inspector.post("/keys", {"keys": "loud", "back": "/help"})

    assert SCRIPT in inspector.text()


def test_after_a_choice_nobody_is_led_to_another_site(inspector):
    inspector.get("/help")

    page = inspector.post("/keys", {"keys": "off", "back": "//elsewhere.example/"})

    assert page.request.path == "/"
