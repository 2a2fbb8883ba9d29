"""Speed of judging, as a ratio within one run: reading results from SQLite against deciding them. Run by hand."""

import random
import sqlite3
import time

import pytest

from inspect_app.judge import StepResults, judge_results
from inspect_app.measure._budget import line, result
from inspect_app.model import DecisionRule, Limit, Measured, Over
from inspect_app.storage.convert import measured_from, measured_text

RESULTS = 100_000
PER_STEP = 10  # as a picture with ten edges gives
LIMIT_OF_RATIO = 2.0


def steps():
    """Make the transcripts of steps as the record keeps them, seeded."""
    numbers = random.Random(4)
    for _ in range(RESULTS // PER_STEP):
        found = [
            result(
                "mtf50",
                numbers.uniform(0.15, 0.25),
                "cy/px",
                [line("noise", numbers.uniform(0.001, 0.01)), line("edge", 0.001, "rectangular")],
                {"axis": numbers.choice(["horizontal", "vertical"]), "edge": place},
            )
            for place in range(PER_STEP)
        ]
        yield measured_text(Measured(check="slanted-edge", method="", results=tuple(found)))


def demand(rule):
    return Limit(
        clause="1",
        title="MTF50",
        check="slanted-edge",
        quantity_name="mtf50",
        unit="cy/px",
        at_least=0.2,
        at_most=0.24 if rule is DecisionRule.PROBABILITY else None,
        decision_rule=rule,
        over=Over.EACH,
        p_min=0.95 if rule is DecisionRule.PROBABILITY else None,
    )


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    path = tmp_path_factory.mktemp("judging") / "record.db"
    with sqlite3.connect(path) as database:
        database.execute("create table measurement (entry_id integer primary key, transcript text not null)")
        database.executemany("insert into measurement (transcript) values (?)", ((text,) for text in steps()))
    return path


@pytest.mark.parametrize("rule", DecisionRule)
def test_judging_takes_less_than_twice_the_time_of_reading(record, rule):
    started = time.perf_counter()
    with sqlite3.connect(record) as database:
        read = [measured_from(text) for (text,) in database.execute("select transcript from measurement")]
    halfway = time.perf_counter()
    judged = [
        one
        for measured in read
        for one in judge_results(
            [demand(rule)], [], [StepResults(step_id="a", check="slanted-edge", measured=measured)]
        )
    ]
    reading_s, judging_s = halfway - started, time.perf_counter() - halfway

    seconds = f"read in {reading_s:.2f} s, judged in {judging_s:.2f} s, ratio {judging_s / reading_s:.2f}"
    print(f"{rule}: {len(judged)} results {seconds}")  # noqa: T201  # the bench's purpose
    assert len(judged) == RESULTS
    assert judging_s < LIMIT_OF_RATIO * reading_s
