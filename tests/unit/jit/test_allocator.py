"""Freed memory stays in the process."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

ROUNDS = 40
PROGRAM = """
import resource, sys
import numpy as np
from fem.jit.allocator import keep_memory
if sys.argv[1] == "kept":
    assert keep_memory()
faults = []
for _ in range({rounds}):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    one, other, third = (np.ones(size) for size in (600_000, 500_000, 700_000))
    del other, third, one
    faults.append(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
print(max(faults[5:]))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library is told")
def test_arrays_that_come_again_and_again_cost_no_new_pages():
    def faults(how):
        program = [sys.executable, "-c", PROGRAM.format(rounds=ROUNDS), how]
        return int(subprocess.run(program, capture_output=True, text=True, check=True).stdout)

    assert faults("as usual") > 500  # else there is nothing to mend
    assert faults("kept") < 50
