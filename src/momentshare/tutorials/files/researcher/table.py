"""Table of a paper from the results of a cohort: python table.py results"""

import sys
from pathlib import Path

import pandas as pd

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
FIRST, SECOND = "wide", "narrow"

folder = Path(sys.argv[1])
heads = pd.read_csv(folder / "heads.csv")
heads = heads[heads["lateral"] == LATERAL].set_index(["condition", "head"])
pairs = pd.read_csv(folder / "contrasts.csv")
pairs = pairs[(pairs["lateral"] == LATERAL) & (pairs["outcome"] == "mean_activation")]
pairs = pairs.set_index("item")

rows = []
for head in HEADS:
    if head not in pairs.index:  # at full activation, so it is in no test
        continue
    pair = pairs.loc[head]
    # Differences are condition minus other; turn them so that they are FIRST minus SECOND.
    sign = 1.0 if pair["condition"] == FIRST else -1.0
    low, high = sorted([sign * pair["difference_low"], sign * pair["difference_high"]])
    row = {"head": head}
    for name in (FIRST, SECOND):
        found = heads.loc[(name, head)]
        row[f"{name} [%]"] = (
            f"{100 * found['mean_activation_mean']:.0f} ± {100 * found['mean_activation_sd']:.0f}"
        )
    row["difference [95 % CI]"] = (
        f"{100 * sign * pair['difference_mean']:+.0f} [{100 * low:+.0f}, {100 * high:+.0f}]"
    )
    row["p (Holm, all heads)"] = f"{pair['p_paired_holm_over_item']:.3f}"
    row["d_z"] = f"{sign * pair['cohen_d_z']:+.1f}"
    row["people agreeing"] = f"{pair['n_same_direction']:.0f} of {pair['n_people']:.0f}"
    row["limit"] = pair["limit"] if isinstance(pair["limit"], str) else ""
    rows.append(row)

table = pd.DataFrame(rows)
table.to_csv("table.csv", index=False)
lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
spelled = table.assign(head=[name.replace("/", ", ").replace("_", " ") for name in table["head"]])
lines += ["| " + " | ".join(row) + " |" for row in spelled.to_numpy()]
Path("table.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
print("\n".join(lines))
