"""A study: a DataFrame of epochs, ten people with two nights each, to a table of bias. Invented data."""

import numpy as np
import pandas as pd

from sleepagree import StudyOptions, align, compare, summarise_study

rng = np.random.default_rng(5)
scorer = np.tile(["W", "N1", "N2", "N2", "N3", "N3", "R", "R", "N2", "W"], 90)
words = {"W": "wake", "N1": "light", "N2": "light", "N3": "deep", "R": "rem"}
said = np.array([words[stage] for stage in scorer])
epochs = pd.concat(
    pd.DataFrame(
        {
            "participant": f"crew-{i // 2 + 1}",
            "night": i % 2 + 1,
            "scorer": scorer,
            "pad": np.where(rng.random(900) < rng.uniform(0.05, 0.25), "light", said),
        }
    )
    for i in range(20)
)

nights = [
    (participant, night, "pad B", compare(align(reference=rows["scorer"], device=rows["pad"])))
    for (participant, night), rows in epochs.groupby(["participant", "night"])
]
study = summarise_study(nights, StudyOptions(resamples=200, margins={"TST": 30}))

print(study.finding)
bias = study.to_frame("bias").set_index("measure")
print(bias.loc[["TST", "minutes deep", "minutes rem"], ["bias", "bias_low", "bias_high", "lower", "upper"]].round(1))
