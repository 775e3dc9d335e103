"""One night: a scorer's file against that of a device without REM. Invented data."""

from sleepagree import align, compare, read_hypnogram

FERRY = "fixtures/ferry"
device = read_hypnogram(f"{FERRY}/band-a/crew-1-night-2.csv", layout=f"{FERRY}/band-a.toml")
night = compare(align(reference=f"{FERRY}/reference/crew-1-night-2.edf", device=device))

print(night.finding)
print(night.to_frame("redistribution")[["stage", "class", "minutes", "share"]].round(2).to_string(index=False))
print(night.to_frame("measures").loc[["TST", "SOL", "WASO"], ["reference", "device", "difference"]])
for caution in night.cautions:
    print(caution)
