"""A stager in training: kappa with its interval over people, each staged by what was learnt of the others. Invented."""

import numpy as np

from sleepagree import agreement_score

rng = np.random.default_rng(8)
people = np.repeat([f"crew-{i + 1}" for i in range(12)], 800)
truth = np.tile(np.repeat(["W", "N2", "N3", "R"], 20), 120)
level = {"W": 4.0, "N2": 2.0, "N3": 0.0, "R": 3.0}
own = np.repeat(rng.normal(0, 0.4, 12), 800)  # people differ more than their epochs do
movement = np.array([level[stage] for stage in truth]) + own + rng.normal(0, 0.7, truth.size)

said = np.empty(truth.size, dtype=object)
for person in np.unique(people):
    new = people == person
    means = {stage: movement[~new & (truth == stage)].mean() for stage in level}
    nearest = np.abs(movement[new, None] - np.array(list(means.values()))).argmin(axis=1)
    said[new] = np.array(list(means))[nearest]

score = agreement_score(truth, said, groups=people)
print(f"kappa {float(score):.2f} ({score.kappa.low:.2f} to {score.kappa.high:.2f}), {score.participants} people")
print(f"under {score.mapping}, of {dict(score.ledger)}")
print(score.study.finding)
