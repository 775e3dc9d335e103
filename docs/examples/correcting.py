"""A correction: learnt from a study, applied to a night without a reference. Invented data."""

from sleepagree import learn_correction, read_hypnogram, score_table

FERRY = "fixtures/ferry"
nights = score_table(f"{FERRY}/nights.csv", keep_epochs=True)
correction = learn_correction(nights, device="pad B")
print(correction.to_frame()["verdict"].value_counts().to_string())

spans = read_hypnogram(f"{FERRY}/pad-b/crew-3-night-2.csv", layout=f"{FERRY}/pad-b.toml")
corrected = correction.apply(spans)
print(corrected.finding)
print(corrected.to_frame().loc[["TST", "SOL", "minutes deep"], ["device", "corrected", "low", "high"]].round(1))
