"""How long the rod and its contact take; run from the repository root: python tests/speed/rod.py."""

import os
import sys
import time
import timeit
from dataclasses import replace
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "unit"), str(Path(__file__).resolve().parents[2])]

from rod_strips import at_rest, bent_strip, coiled, small_rod, straight_strip

from fem.case.definition import read_case
from fem.contact.settings import ContactSettings
from fem.design.obstacle import Pod, axle_walls
from fem.rod.energy import RodEnergy
from fem.rod.fields import RodFields
from fem.rod.model import build_rod_model
from fem.rod.self_contact import RodSelfContact
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.simulation.retract_deploy import wind, winding_program
from fem.verification.contact import CONTACT_CHECKS
from fem.verification.published import run_check
from fem.verification.rod_sections import ROD_SECTION_CHECKS
from fem.verification.rods import ROD_CHECKS


def best(action, count=5, repeats=40):
    """Shortest mean of `count` calls in milliseconds."""
    action()
    return 1e3 * min(timeit.repeat(action, number=count, repeat=repeats)) / count


start = time.perf_counter()
rod = small_rod(straight_strip(95.0), 48)
energy, u = RodEnergy(rod), at_rest(rod)
energy.evaluate(u, 2)
print(f"rod of 48 elements built, loops compiled or read from the cache: {time.perf_counter() - start:.2f} s")
print(f"build {best(lambda: small_rod(straight_strip(95.0), 48), 1, 5):.1f} ms")
for order, what in enumerate(("energy", "gradient", "tangent")):
    print(f"{what} {best(lambda order=order: energy.evaluate(u, order)):.3f} ms")
zones = small_rod(bent_strip(), 48)
layered, rest = RodEnergy(zones), at_rest(zones)
print(f"tangent, two zones across {best(lambda: layered.evaluate(rest, 2)):.3f} ms")
fields = RodFields.build(rod, np.linspace(0.0, 95.0, 100), 5)
print(
    f"fields 100 x 9: build {best(lambda: RodFields.build(rod, fields.stations, 5), 1, 5):.1f} ms, "
    f"state {best(lambda: fields.state(u)):.3f} ms"
)
settings = ContactSettings(80.0, 0.05, 0.03, 0.2)
wound = coiled(rod, 0.95, 3.5, -1 / 9.0)
walls = RodWallContact(
    rod, contact_points(rod, 0.25), axle_walls(3.0, 0.0) + Pod(8.0, 1.5, -3.5, 10.0, 0.5).walls(0.0), settings
)
wraps = RodSelfContact(rod, contact_points(rod, 0.5), settings, 9.0)
for name, term in (("walls", walls), ("wraps", wraps)):
    term.start(wound)
    gradient, tangent = (best(lambda term=term, o=o: term.evaluate(wound, o)) for o in (1, 2))
    hold = best(lambda term=term: term.hold(wound))
    print(f"{name}: gradient {gradient:.3f}, tangent {tangent:.3f}, hold {hold:.3f} ms")
start = time.perf_counter()
results = [run_check(check) for check in ROD_CHECKS + ROD_SECTION_CHECKS + CONTACT_CHECKS]
print(f"{len(results)} checks, {sum(not r.ok for r in results)} differ: {time.perf_counter() - start:.1f} s")


def cycle(name, **solver):
    """CPU seconds to wind a demonstration case in and push it out again, and what it took."""
    case = read_case(Path(__file__).resolve().parents[2] / "cases" / f"{name}.toml")
    model = build_rod_model(replace(case, settings=replace(case.settings, **solver)))
    began = time.process_time()
    _, _, done = wind(winding_program(model), case.travel, True, lambda share, text: None)
    return time.process_time() - began, done.stepper.accepted, done.stepper.rejected, done.stepper.iterations


for name, solver in (
    ("boom-corrected", {}),
    ("boom-corrected", {"wraps_touch": False}),
    ("boom-soft", {}),
    ("lamp-strip", {}),
):
    seconds, accepted, rejected, iterations = cycle(name, **solver)
    print(
        f"{name} {solver or ''} in and out: {seconds:.1f} s of CPU, {accepted} steps, {rejected} rejected, "
        f"{iterations} iterations"
    )
