"""Budget 11: learning a correction against the bare scikit-learn fits it needs, and correcting one night."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression, Ridge
from threadpoolctl import threadpool_limits

from sleepagree.files.writing import encode_text
from sleepagree.render.correction_json import correction_document
from sleepagree.render.json_text import dump_filled
from sleepagree.study.correction_learning import learn_correction
from sleepagree.study.from_table import score_table
from tests.ferry import FERRY, simulated_nights
from tests.performance.harness import (
    Row,
    Settings,
    alternate,
    at_most,
    command,
    memory_row,
    process,
    python,
    used_memory,
)

_LEARNT = """
from tests.ferry import simulated_nights
import sklearn.linear_model, sklearn.model_selection, scipy.stats
from sleepagree.study.correction_learning import learn_correction
nights = [n for n in simulated_nights(participants=PEOPLE, nights=2) if n.device == "band A"]
begin()
learn_correction(nights)
"""


class Fit(NamedTuple):
    """One fit of the library: by which learner, as it was set then, and what it was given."""

    learner: Any
    settings: dict[str, Any]
    given: tuple[Any, ...]
    how: dict[str, Any]


def record_fits(work: Callable[[], Any]) -> list[Fit]:
    """Return every fit of the library that some work asks for."""
    fits: list[Fit] = []
    before = {kind: kind.fit for kind in (LogisticRegression, Ridge)}

    def spy(kind: type) -> Callable[..., Any]:
        def fit(self: Any, *given: Any, **how: Any) -> Any:
            fits.append(Fit(self, self.get_params(), given, how))
            return before[kind](self, *given, **how)

        return fit

    for kind in before:
        kind.fit = spy(kind)
    try:
        work()
    finally:
        for kind, fit in before.items():
            kind.fit = fit
    return fits


def repeat_fits(fits: Sequence[Fit]) -> None:
    """Fit all again: a learner that goes on where its last fit ended does so here, and begins anew each time.

    On one thread, as the program does: with more the same fits take longer.
    """
    learners: dict[int, Any] = {}
    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        for fit in fits:
            learner = learners.setdefault(id(fit.learner), type(fit.learner)())
            learner.set_params(**fit.settings).fit(*fit.given, **fit.how)


def learning_and_applying(settings: Settings) -> list[Row]:
    people = settings.size(100, 5)
    nights = [n for n in simulated_nights(participants=people, nights=2) if n.device == "band A"]
    fits = record_fits(lambda: learn_correction(nights))

    learning, library = alternate(
        [lambda: learn_correction(nights), lambda: repeat_fits(fits)], repeats=settings.repeats
    )
    what = f"calibrate on {people} people x 2 nights against its bare scikit-learn fits"
    path = settings.folder / "correction.json"
    of_ferry = learn_correction(score_table(FERRY / "nights.csv", keep_epochs=True), device="pad B")
    path.write_bytes(encode_text(dump_filled(correction_document(of_ferry))))
    night = FERRY / "pad-b" / "crew-3-night-2.csv"
    words = ["correct", str(path), str(night), "--layout", str(FERRY / "pad-b.toml"), "--quiet"]
    one, imports = alternate(
        [process(command(*words)), process(python("import click, numpy"))], repeats=2 * settings.repeats
    )
    memory = used_memory(_LEARNT.replace("PEOPLE", str(people)))
    return [
        at_most("11", what, learning, library, 2),
        memory_row("11", "memory of the same above imports", memory, 1024 * 2**20),
        at_most("11", "correct of one night against import click, numpy", one, imports, 2.5),
    ]
