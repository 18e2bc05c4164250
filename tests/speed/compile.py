"""What loops take to compile; run from the repository root: python tests/speed/compile.py [rod|shell].

Nothing is read from the cache. For each function CPU seconds with and without what it takes in.
"""

import sys
import tempfile
import time
from os import environ
from pathlib import Path

environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp()
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from numba.core import event

from fem.batch.compile_targets import PARTS


class Watch(event.Listener):
    """Adds up seconds by function."""

    def __init__(self):
        self.running, self.whole, self.own = [], {}, {}

    def on_start(self, started):
        function = started.data["dispatcher"].py_func
        self.running.append([f"{function.__module__}.{function.__qualname__}", time.process_time(), 0.0])

    def on_end(self, _):
        name, began, within = self.running.pop()
        spent = time.process_time() - began
        self.whole[name] = self.whole.get(name, 0.0) + spent
        self.own[name] = self.own.get(name, 0.0) + spent - within
        if self.running:
            self.running[-1][2] += spent


watch = Watch()
event.register("numba:compile", watch)
for name, part in PARTS[sys.argv[1] if len(sys.argv) > 1 else "rod"].items():
    began = time.process_time()
    part()
    print(f"{name}: {time.process_time() - began:.1f} s")
print("  own  with what it takes in")
for name, spent in sorted(watch.own.items(), key=lambda item: -item[1])[:40]:
    print(f"{spent:5.2f} {watch.whole[name]:5.2f} {name}")
