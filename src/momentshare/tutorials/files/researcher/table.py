"""Table of a paper from a cohort and its draws: python table.py results sure"""

import sys
from pathlib import Path

import pandas as pd

# Choose these: heads, treatment of the lateral force, and the difference FIRST minus SECOND.
HEADS = [
    "pectoralis_major/clavicular",
    "pectoralis_major/sternocostal_upper",
    "pectoralis_major/sternocostal_lower",
    "pectoralis_major/abdominal",
    "deltoid/clavicular",
    "triceps_brachii/long",
    "triceps_brachii/lateral",
    "triceps_brachii/medial",
]
LATERAL = "measured"
FIRST, SECOND = "narrow", "wide"

results, sure = Path(sys.argv[1]), Path(sys.argv[2])


def turned(pair, value, low, high):
    """Difference FIRST minus SECOND in percentage points, with its interval."""
    sign = 100.0 if pair["condition"] == FIRST else -100.0
    ends = sorted([sign * pair[low], sign * pair[high]])
    return f"{whole(sign * pair[value])} [{whole(ends[0])}, {whole(ends[1])}]"


def whole(points):
    """Whole points with their sign; what rounds to zero has none."""
    text = f"{points:+.0f}"
    return "0" if text in {"+0", "-0"} else text


def of_pair(table, head):
    """Return the row that compares the two conditions within a head, if there is one."""
    mine = table[table["head"] == head]
    mine = mine[mine["condition"].isin([FIRST, SECOND]) & mine["other"].isin([FIRST, SECOND])]
    return None if mine.empty else mine.iloc[0]


heads = pd.read_csv(results / "heads.csv")
heads = heads[heads["lateral"] == LATERAL].set_index(["condition", "head"])
pairs = pd.read_csv(results / "contrasts.csv").fillna({"limit": ""})
pairs = pairs.rename(columns={"item": "head"})
pairs = pairs[(pairs["lateral"] == LATERAL) & (pairs["outcome"] == "mean_activation")]
model = pd.read_csv(sure / "people_and_model.csv")
model = model[model["lateral"] == LATERAL]
verdicts = pd.read_csv(sure / "verdicts.csv")

rows = []
for head in HEADS:
    pair = of_pair(pairs, head)
    if pair is None:  # fully active in part of the lift, so it is in no test
        continue
    row = {"head": head}
    for name in (FIRST, SECOND):
        found = heads.loc[(name, head)]
        row[f"{name} [%]"] = (
            f"{100 * found['mean_activation_mean']:.0f} ± {100 * found['mean_activation_sd']:.0f}"
        )
    row["difference, people [95 % CI]"] = turned(
        pair, "difference_mean", "difference_low", "difference_high"
    )
    row["p (Holm, all heads)"] = f"{pair['p_paired_holm_over_item']:.3f}"
    row["d_z"] = f"{pair['cohen_d_z'] * (1 if pair['condition'] == FIRST else -1):+.1f}"
    row["people agreeing"] = f"{pair['n_same_direction']:.0f} of {pair['n_people']:.0f}"
    row["difference, model [95 % of draws]"] = turned(
        of_pair(model, head), "mean", "model_low", "model_high"
    )
    verdict = of_pair(verdicts, head)
    row["order in draws"] = "head hardly works" if verdict is None else verdict["verdict"]
    row["limit"] = pair["limit"]
    rows.append(row)

table = pd.DataFrame(rows)
table.to_csv("table.csv", index=False)

trials = pd.read_csv(results / "trials.csv")
loads = trials[trials["counted"]].groupby("condition")["load_kg"].mean()
people = pairs["n_people"].max()
notes = [
    f"{people:.0f} people; mean ± SD of lift-mean activation; lateral force {LATERAL}.",
    f"Loads: {loads[FIRST]:.1f} kg ({FIRST}), {loads[SECOND]:.1f} kg ({SECOND}), in no test.",
    f"Differences: {FIRST} minus {SECOND}, in percentage points.",
    "People: Student's interval over people, of single differences; p is adjusted.",
    "Model: quantiles of draws of every number of the limb.",
    "Firm: 95 % of draws agree, and no limit of the limb concerns the order.",
]
keys = sorted(set(" ".join(table["limit"]).split()))
if keys:
    notes.append(f"{', '.join(keys)}: not supported by the limb; see momentshare help {keys[0]}.")
lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
spelled = table.assign(head=[name.replace("/", ", ").replace("_", " ") for name in table["head"]])
lines += ["| " + " | ".join(row).replace("-", "−") + " |" for row in spelled.to_numpy()]
text = "\n".join(lines) + "\n\n" + "\n\n".join(notes)
Path("table.md").write_text(text + "\n", encoding="utf-8")
print(text)
