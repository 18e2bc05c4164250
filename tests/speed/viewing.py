"""How long a picture, a step of the slider and a film take; run by hand on a folder of a finished run.

python tests/speed/viewing.py results/runs/boom-corrected
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from fem.results.result import read
from fem.view.film import write_film
from fem.view.graphics import need_graphics
from fem.view.window import Window


def main(folder: Path) -> None:
    need_graphics()
    with TemporaryDirectory() as place:
        file = str(Path(place) / "a.png")
        code = "from fem.results.result import read; from fem.view.still import critical_picture as draw\n"
        code += f"draw(read({str(folder)!r}), {file!r})"
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        print(f"first picture, in a new process   {time.perf_counter() - begun:6.2f} s wall")
        result = read(folder)
        begun = time.process_time()
        window = Window([result], [None], hidden=True)
        window.picture()  # before the first one the library draws nothing
        print(f"window made and drawn             {time.process_time() - begun:6.2f} s CPU")
        for what in ("first pass, strips being made", "second pass"):
            spent = []
            for state in range(len(result.snapshots)):
                window.playback.go(state)
                begun = time.process_time()
                window.refresh()
                spent.append(time.process_time() - begun)
            told = f"median {1e3 * np.median(spent):.0f} ms, longest {1e3 * max(spent):.0f} ms CPU"
            print(f"a step of the slider, {what}: {told}")
        window.plotter.close()
        begun, wall = time.process_time(), time.perf_counter()
        write_film([result], [None], Path(place) / "a.gif", "strain", lambda *_: None)
        told = f"{time.process_time() - begun:6.2f} s CPU, {time.perf_counter() - wall:.2f} s wall"
        print(f"film of {len(result.snapshots)} states              {told}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
