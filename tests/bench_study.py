"""The invented laboratory at a bench (:mod:`tests.bench_lab`) as files and a study to be run.

What a first real laboratory brings: labels with the person's name before them, no back of the
trunk, two left arms among twelve people, hand forces on a rate of their own, electromyograms in
files of their own, and two faults that no limit of a single trial shows: a cell whose zero is off
by 25 N, and electromyograms that come 350 ms late.
"""

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

from momentshare.trial.recording import mirrored
from tests import bench_lab

LATE_S, ZERO_N = 0.35, 25.0
RATE = 1000.0
MAXIMAL_MV = 1.0
HEAD = "triceps_brachii/lateral"
LABELS = {
    "ij": "IJ", "px": "PX", "right_acromion": "RACR", "right_el": "REL", "right_em": "REM",
    "right_rs": "RRS", "right_us": "RUS", "right_grip": "RKN", "left_acromion": "LACR",
    "left_el": "LEL", "left_em": "LEM", "left_rs": "LRS", "left_us": "LUS", "left_grip": "LKN",
    "bar_right": "BARR", "bar_left": "BARL",
}  # fmt: skip

STUDY = """title = "Grip width, skin markers at a bench"
people = "people.csv"
strengths = "strengths.csv"
trials = "trials.csv"

[[layout]]
name = "capture"
up = "+y"
right = "+z"
force_on = "hand"
label_prefix = "{person}:"

[layout.markers]
@MARKERS@

[layout.forces]
right_hand_force = ["FRX", "FRY", "FRZ"]
left_hand_force = ["FLX", "FLY", "FLZ"]

[[layout]]
name = "emg"
up = "+y"
right = "+z"
force_on = "hand"
delimiter = ","
time_column = "time_s"
units = { emg = "mV" }

[layout.emg]
"@HEAD@" = "EMG1"

@CONDITIONS@
[[files]]
pattern = "data/{person}/{condition}_{take}.c3d"
layout = "capture"
more = [{ pattern = "data/{person}/{condition}_{take}_emg.csv", layout = "emg" }]

[[maximal]]
pattern = "data/{person}/maximal_*.csv"
layout = "emg"
"""


def write_study(folder, people=12, grips=4, *, cohort=91, repetitions=1, late=1, zero=2):
    """Write files, tables and study; ``late`` and ``zero`` number the people with a fault.

    Returns the path of the study and the truth by person and grip.
    """
    import ezc3d

    names = list(bench_lab.GRIPS)[:grips]
    lifters = bench_lab.lifters(people, cohort)
    truths, trials = {}, []
    for k, lifter in enumerate(lifters):
        place = folder / "data" / lifter.name
        place.mkdir(parents=True)
        for c, grip in enumerate(names):
            seed = 10_000 * cohort + 100 * k + c
            truth = bench_lab.press(lifter, grip, seed, repetitions)
            truths[lifter.name, grip] = truth
            seen = bench_lab.seen(truth, seed)
            seen = mirrored(seen) if lifter.left else seen
            _write_c3d(ezc3d, seen, place / f"{grip}_1.c3d", lifter.name, ZERO_N * (k == zero))
            delay = LATE_S if k == late else 0.0
            _write_emg(place / f"{grip}_1_emg.csv", truth.time, _effort(truth), seed, delay)
            trials.append((lifter.name, grip, lifter.load, "left" if lifter.left else "right"))
        time = np.arange(300) / bench_lab.RATE
        _write_emg(place / "maximal_1.csv", time, np.clip(np.sin(np.pi * time / 3.0), 0, 1), k, 0.0)
    pd.DataFrame(trials, columns=["person", "condition", "load_kg", "side"]).to_csv(
        folder / "trials.csv", index=False
    )
    pd.DataFrame(
        [(x.name, x.sex, 100 * x.stature, x.mass) for x in lifters],
        columns=["name", "sex", "stature_cm", "body_mass_kg"],
    ).to_csv(folder / "people.csv", index=False)
    tests = [  # two elbow tests of one person, in two postures
        (lifters[0].name, "elbow_extension", 62.0, 90.0),
        (lifters[0].name, "elbow_extension", 55.0, 60.0),
    ]
    pd.DataFrame(tests, columns=["person", "direction", "moment_nm", "elbow_flexion_deg"]).to_csv(
        folder / "strengths.csv", index=False
    )
    markers = "\n".join(f'{role} = "{label}"' for role, label in LABELS.items())
    conditions = "".join(f'[[condition]]\nname = "{grip}"\n\n' for grip in names)
    text = STUDY.replace("@MARKERS@", markers).replace("@CONDITIONS@\n", conditions)
    study = folder / "study.toml"
    study.write_text(text.replace("@HEAD@", HEAD), "utf-8")
    return study, truths


def _effort(truth):
    """An envelope that follows the elbow's moment, 0 to about 0.6."""
    return 0.6 * np.clip(truth.moments[:, 3], 0.0, None) / 60.0


def _write_c3d(ezc3d, seen, path, name, zero):
    file = ezc3d.c3d()
    roles = list(LABELS)
    per_frame = round(bench_lab.FORCE_RATE / bench_lab.RATE)
    sides = [seen.channels[f"{side}_hand_force"] for side in ("right", "left")]
    forces = [side.values for side in sides]  # noqa: PD011 - of a channel
    landmark = seen.channels["ij"]
    frames = min(len(landmark.values), *(len(f) // per_frame for f in forces))
    data = np.ones((4, len(roles), frames))
    for k, role in enumerate(roles):
        channel = seen.channels[role]
        data[:3, k] = 1000.0 * channel.values[:frames].T  # noqa: PD011 - of a channel
    values = np.concatenate([f[: frames * per_frame] for f in forces], axis=1)
    values[:, 1] -= zero
    parameters = file["parameters"]
    for kind, rate, labels, unit in (
        ("POINT", bench_lab.RATE, [f"{name}:{LABELS[r]}" for r in roles], ["mm"]),
        ("ANALOG", bench_lab.FORCE_RATE, [f"F{s}{a}" for s in "RL" for a in "XYZ"], ["N"] * 6),
    ):
        parameters[kind]["RATE"]["value"] = [rate]
        parameters[kind]["LABELS"]["value"] = labels
        parameters[kind]["UNITS"]["value"] = unit
    file["data"]["points"] = data
    file["data"]["analogs"] = values.T[None]
    file.write(str(path))


def _write_emg(path, time, envelope, seed, late):
    """Noise of the band of an electromyogram, as large as an envelope says, ``late`` seconds."""
    rng = np.random.default_rng([seed, 9])
    fine = np.arange(int(time[-1] * RATE)) / RATE
    noise = rng.standard_normal(len(fine))
    noise = noise - gaussian_filter1d(noise, 8.0)
    size = MAXIMAL_MV * np.interp(fine - late, time, envelope)
    table = pd.DataFrame({"time_s": fine, "EMG1": (size + 0.005) * noise})
    table.to_csv(path, index=False, float_format="%.6g")
