"""Answers to the three questions, from the tables: python answers.py moments|triceps|sure"""

import sys
from pathlib import Path

import pandas as pd

SURE = 0.95  # part of the draws from which momentshare calls an order firm


def word(before, after):
    """Describe how a number changes."""
    return "rises" if after > before else "falls"


def moments(folder="results"):
    """Greatest moments of both grips along the lift."""
    table = pd.read_csv(f"{folder}/conditions.csv").set_index("condition")
    for joint, column in [
        ("elbow", "greatest_elbow_extension_nm"),
        ("shoulder", "greatest_shoulder_horizontal_adduction_nm"),
    ]:
        narrow, wide = table.loc["narrow", column], table.loc["wide", column]
        print(
            f"From narrow to wide the greatest moment at the {joint} {word(narrow, wide)} from "
            f"{narrow:.1f} to {wide:.1f} N·m."
        )


def triceps():
    """Activation of two heads, one line of the drive, and the long head without a shoulder arm."""
    drive = pd.read_csv("why/drive.csv")
    table = (
        pd.read_csv("why/counterfactuals.csv")
        .set_index(["changed_head", "case", "head"])
        .sort_index()
    )
    long, lateral = "triceps_brachii/long", "triceps_brachii/lateral"
    now = table.loc[long, "as_it_is"]["activation"]
    twin = table.loc[long, "no_arm_shoulder", long]["activation"]
    print(f"The long head works at {now[long]:.3f}, the lateral head at {now[lateral]:.3f}.")
    line = drive[drive["head"] == long].set_index("row").loc["elbow_extension"]
    print(
        f"Long head, line of the elbow: {line['multiplier_per_nm']:.5g} 1/(N·m) × "
        f"{line['moment_arm_m']:.5g} m × {line['capacity_n']:.5g} N ÷ (2 × {line['weight']:.5g}) = "
        f"{line['part']:+.3f}."
    )
    part = drive[(drive["head"] == long) & (drive["joint"] == "shoulder")]["part"].sum()
    print(
        f"The shoulder {f'adds {part:.3f} to' if part > 0 else f'takes {-part:.3f} from'} its "
        f"activation. Without a moment arm there the long head would work at {twin:.3f}: its "
        f"activation {word(now[long], twin)}."
    )


def sure():
    """Orders between the grips that nothing contradicts, and the others with what does."""
    orders = pd.read_csv("sure/condition_order.csv").set_index("head")
    turned = pd.read_csv("results/ordering.csv").set_index(["head", "condition", "other"])
    turned = turned["turns_with_posture"]
    sure_heads = []
    for head, row in orders.iterrows():
        above = row["probability"] > 0.5
        higher, lower = (row["condition"], row["other"])[:: 1 if above else -1]
        # A draw in which both are level counts half in a probability, and agrees with neither.
        probability = max(row["probability"], 1.0 - row["probability"])
        share = round(probability - row["ties"] / 2.0, 2)
        if row["ties"] > 0.5:
            continue
        doubts = []
        if probability < SURE:
            doubts.append(f"only {100 * share:.0f} % of draws agree")
        if turned.get((head, higher, lower), turned.get((head, lower, higher), False)):
            doubts.append("reversed within the posture band")
        if isinstance(row["limit"], str):
            doubts.append(f"limit {row['limit']}")
        said = f"more active when {higher}" if share > 0.5 else "no order"
        print(f"{head}: {said}; {', '.join(doubts) or 'nothing against it'}")
        if not doubts:
            sure_heads.append(head)
    remains = "1 order remains" if len(sure_heads) == 1 else f"{len(sure_heads)} orders remain"
    print(f"{remains}: {', '.join(sure_heads)}." if sure_heads else "No order remains.")


if __name__ == "__main__":
    ways = {"moments": moments, "triceps": triceps, "sure": sure}
    if len(sys.argv) < 2 or sys.argv[1] not in ways:
        sys.exit(f"python answers.py {'|'.join(ways)}")
    try:
        ways[sys.argv[1]](*sys.argv[2:])
    except FileNotFoundError as missing:
        folder = Path(missing.filename).parent
        sys.exit(f"{missing.filename} is not there: run the command that writes '{folder}' first")
