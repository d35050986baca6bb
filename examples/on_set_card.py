"""Make what shows a hot recording at normal exposure on a set's monitors, and the card for it.

    python examples/on_set_card.py ACEScct monitor -1 -2

Give the log space the camera records, a folder, and the stops of each set-up. Each file is read
back and measured before it gets its name; the card says what each is for and what it is off by.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gradeprep import colour
from gradeprep.onset.compensation import Ask, prepare
from gradeprep.onset.handout import make


def main(space: str, folder: str, *stops: str) -> None:
    config, _ = colour.choose_config(None, None)
    ask = Ask(space=space, stops=[float(one) for one in stops], formats=("clf", "1d"))
    made = make(prepare(colour.load(config), ask), Path(folder))
    for refused in made.refused:
        print(f"not handed out: {refused.file}: {refused.why}")
    if made.card:
        print(Path(made.card).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main(*sys.argv[1:])
