"""Labels: bar codes drawn from the published table of Code 39 are read back."""

import pytest
from PIL import Image

from inspect_app.capture.label import read_label
from inspect_app.errors import NothingToMeasure, UnusableInput
from tests.truth.labels import label


@pytest.mark.parametrize("turned_by", [0, 90, 180])
def test_the_code_on_a_label_is_read_however_it_is_held(tmp_path, turned_by):
    label("TM-0127").rotate(turned_by, expand=True).save(tmp_path / "label.png")

    assert read_label(tmp_path / "label.png", "label.png") == ("TM-0127",)


def test_a_photograph_without_a_code_says_how_to_take_a_better_one(tmp_path):
    Image.new("L", (300, 200), 200).save(tmp_path / "wall.jpg")

    with pytest.raises(NothingToMeasure, match="no bar code"):
        read_label(tmp_path / "wall.jpg", "wall.jpg")


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("TM-0127")

    with pytest.raises(UnusableInput, match="no picture"):
        read_label(tmp_path / "notes.txt", "notes.txt")
