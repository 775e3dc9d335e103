"""Fuzzing of every reader, some hundred inputs each; ``python -m tests.fuzz --seconds N`` runs as long as one likes."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

import pytest

from tests.fuzz.targets import TARGETS, Target

EXAMPLES = 200
#: What becomes of an input that nothing is wrong with.
WENT_WELL = {"scored", "study scored", "mapping read", "table read"}


@pytest.fixture(autouse=True, scope="module")
def _traced() -> Iterator[None]:
    """Trace memory from the first input to the last: to stop while a library's thread allocates ends the process."""
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
@pytest.mark.filterwarnings("default")
def test_a_result_that_adds_up_or_one_message(target: Target, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp(target.name.replace(" ", "-"))
    tally = target.run(folder, examples=EXAMPLES, seed=None)
    # a strategy that is always refused looks at nothing, and so does one that never is
    assert tally.total() >= EXAMPLES // 2
    assert WENT_WELL & set(tally), tally
    assert any("refused" in outcome for outcome in tally), tally
