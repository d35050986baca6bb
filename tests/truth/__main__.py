"""``python -m tests.truth``: prints, as Markdown, what the tool says against the known truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # the tests' own helpers

from .clipping import LEVEL, ROWS, Score, card_score, plate_score


def main() -> None:
    """Score every row on seeds from 1000 on, which no constant was chosen by."""
    parser = argparse.ArgumentParser(prog="python -m tests.truth")
    parser.add_argument("--plates", type=int, default=40, help="plates a row [40]")
    parser.add_argument("--cards", type=int, default=20, help="cards a row [20]")
    parser.add_argument("--first", type=int, default=1000, help="first seed [1000]")
    parser.add_argument("--only", help="rows whose name contains this")
    parser.add_argument("--wrong", action="store_true", help="list each wrong answer")
    asked = parser.parse_args()
    print(
        "| plate | channels right | missed | false alarms | clip level within "
        f"{LEVEL} stop | clipped cards refused | whole cards read |\n|---|---|---|---|---|---|---|"
    )
    for name, row in ROWS.items():
        if asked.only and asked.only not in name:
            continue
        score = Score()
        for seed in range(asked.first, asked.first + asked.plates):
            plate_score(row, seed, score)
        for seed in range(asked.first, asked.first + asked.cards):
            card_score(row, seed, score)
        print(_line(name, score), flush=True)
        if asked.wrong:
            print("\n".join(f"    {line}" for line in score.wrong), flush=True)


def _line(name: str, score: Score) -> str:
    channels = score.right + score.missed + score.alarms
    near = sum(abs(level) <= LEVEL for level in score.levels)
    return (
        f"| {name} | {score.right} of {channels} ({score.right / channels:.1%}) | {score.missed} "
        f"| {score.alarms} | {near} of {len(score.levels)} "
        f"| {score.refused} of {score.refused + score.read} "
        f"| {score.whole} of {score.whole + score.held} |"
    )


if __name__ == "__main__":
    main()
