"""Kappa against the published examples: Fleiss 1971, and those of Cohen's kappa (from memory, computed anew)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.judge.agreement import cohen_kappa, fleiss_kappa, highest_rate

# Fleiss (1971), Table 1: 30 patients, 6 psychiatrists; depression, personality disorder, schizophrenia, neurosis, other
DIAGNOSES = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031
00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""


def reads(table):
    """Spell a table of counts, rows of the first reader, out as two readers' words."""
    pairs = [(str(a), str(b)) for a, row in enumerate(table) for b, count in enumerate(row) for _ in range(count)]
    return [a for a, _ in pairs], [b for _, b in pairs]


@pytest.mark.parametrize(
    ("source", "table", "observed", "kappa", "error"),
    [
        ("Fleiss 1981, 100 patients (published: 0.68)", ((75, 1, 4), (5, 4, 1), (0, 0, 10)), 0.89, 0.6765, 0.0877),
        ("fifty proposals (published: 0.40)", ((20, 5), (10, 15)), 0.70, 0.400, 0.127),
        ("AIAG attribute study, A by B (published: 0.86)", ((44, 6), (3, 97)), 0.94, 0.8629, 0.0442),
        ("prevalence paradox, computed: 95 % agreement", ((95, 2), (3, 0)), 0.95, -0.0246, None),
    ],
)
def test_cohens_kappa(source, table, observed, kappa, error):
    found = cohen_kappa(*reads(table))

    assert found.observed == pytest.approx(observed, abs=1e-9), source
    assert found.kappa == pytest.approx(kappa, abs=5e-5), source
    if error is not None:
        assert found.standard_error == pytest.approx(error, abs=5e-4), source


def test_fleiss_kappa_of_the_psychiatric_diagnoses():
    """Published: 0.430, z = 17.7; to more digits by another library: 0.43024452."""
    counts = [dict(zip("dpsno", map(int, patient), strict=True)) for patient in DIAGNOSES.split()]

    found = fleiss_kappa(counts)

    assert len(counts) == 30
    assert found.kappa == pytest.approx(0.43024452, abs=5e-9)
    assert (found.observed, found.expected) == pytest.approx((0.5556, 0.2199), abs=5e-5)
    assert found.standard_error == pytest.approx(0.0244, abs=5e-5)
    assert [found.of_word[word] for word in "dpsno"] == pytest.approx([0.245, 0.245, 0.520, 0.471, 0.566], abs=5e-4)
    assert found.kappa / found.standard_error == pytest.approx(17.65, abs=5e-3)


@given(st.lists(st.sampled_from("ab"), min_size=2, max_size=30))
def test_full_agreement_is_one_and_names_do_not_matter(words):
    if len(set(words)) == 1:
        with pytest.raises(NothingToMeasure, match="the same of every item"):
            cohen_kappa(words, words)
        return
    other = [{"a": "pass", "b": "fail"}[word] for word in words]

    assert cohen_kappa(words, words).kappa == pytest.approx(1)
    assert cohen_kappa(other, other).standard_error == pytest.approx(0, abs=1e-7)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=2, max_size=30))
def test_kappa_does_not_depend_on_who_reads_first_and_never_exceeds_one(pairs):
    first, second = [a for a, _ in pairs], [b for _, b in pairs]
    if len({*first, *second}) == 1:
        return

    one, other = cohen_kappa(first, second), cohen_kappa(second, first)

    assert one.kappa == pytest.approx(other.kappa, abs=1e-12)
    assert one.kappa <= 1 + 1e-12


def test_no_miss_in_fifty_trials_still_allows_nearly_six_per_cent():
    """1 - 0.05^(1/50) = 0.0582 (Clopper and Pearson)."""
    assert highest_rate(0, 50) == pytest.approx(1 - 0.05 ** (1 / 50), rel=1e-12)
    assert highest_rate(50, 50) == 1


@pytest.mark.parametrize(
    "call",
    [
        lambda: cohen_kappa(["a"], ["a", "b"]),
        lambda: cohen_kappa(["a"], ["a"]),
        lambda: fleiss_kappa([{"a": 2}, {"a": 3}]),
        lambda: fleiss_kappa([{"a": 2}]),
        lambda: fleiss_kappa([]),
        lambda: highest_rate(3, 2),
        lambda: highest_rate(0, 0),
    ],
)
def test_what_is_no_study_is_refused(call):
    with pytest.raises(UnusableInput):
        call()
