// What stands in the picture at one state, and the words above it.

// share of the colour scale, 0 pale to 1 dark; above 1 is "over"
function shareOf(quantity) {
  return (value) => {
    if (Number.isNaN(value)) return NO_VALUE;
    const share = (value - quantity.low) / (quantity.high - quantity.low);
    return quantity.darkLow ? Math.max(0, 1 - Math.max(0, share)) : Math.max(0, share);
  };
}

function makeScene(run, drawer, tones) {
  const maker = solidMaker(run), { about } = run, { N, C } = maker;
  const strip = drawer && drawer.stripMesh(), marks = drawer && drawer.lineMesh(), walls = [];
  const reach = 2.2 * Math.hypot(...about.size, 40) + 40;
  const half = Math.max(Math.abs(about.low[2]), Math.abs(about.low[2] + about.size[2])) + 0.6;
  const index = stripIndex(N, C), ticks = about.tick;
  let now = { state: -1 };

  const row = (station) => {
    const first = about.stations[0], last = about.stations[run.n - 1];
    return Math.min(N - 1, Math.max(0, Math.round(((station - first) / (last - first)) * (N - 1))));
  };
  const point = (array, k, j) => Array.from(array.subarray((k * C + j) * 3, (k * C + j) * 3 + 3));

  function show(state, quantity) {
    const solid = maker.solid(state), values = maker.shown(quantity, state);
    now = { state, solid, values, quantity };
    if (!drawer) return;
    strip.fill(stripContent(solid, values.map(shareOf(quantity))));
    marks.fill(lineContent(stripLines(solid)));
    buildWalls(about.states[state].angle);
  }

  function stripContent(solid, values) {
    const count = N * C, total = 2 * count + 4 * N + 4 * C;
    const place = new Float32Array(total * 3), normal = new Float32Array(total * 3), share = new Float32Array(total);
    place.set(solid.above); place.set(solid.below, count * 3);
    normal.set(solid.normals); normal.set(solid.normals, count * 3);
    share.set(values); share.set(values, count);
    let at = 2 * count;
    const rim = (k, j, way) => {
      for (const array of [solid.above, solid.below]) {
        place.set(point(array, k, j), at * 3); normal.set(way, at * 3); share[at] = values[k * C + j];
        at++;
      }
    };
    const along = (k, j) => unit(point(solid.points, Math.min(N - 1, k + 1), j).map((v, c) => v - solid.points[(Math.max(0, k - 1) * C + j) * 3 + c]));
    for (const j of [0, C - 1]) for (let k = 0; k < N; k++) rim(k, j, cross(along(k, j), point(solid.normals, k, j)));
    for (const k of [0, N - 1]) for (let j = 0; j < C; j++) rim(k, j, along(k, j));
    return { place, normal, share, index, count: index.length };
  }

  function stripLines(solid) {
    const ink = [...HEX(tones().ink), 255], alarm = [...HEX(tones().alarm), 255], curves = [];
    for (const array of [solid.above, solid.below]) {
      for (const j of [0, C - 1]) curves.push({ points: rowOf(array, null, j), width: 1.3, colour: ink });
      for (const k of [0, N - 1]) curves.push({ points: rowOf(array, k), width: 1.3, colour: ink });
      for (let s = ticks; s < about.stations[run.n - 1] - 1e-6; s += ticks) curves.push({ points: rowOf(array, row(s)), width: 1.6, colour: ink });
      if (about.jam) curves.push({ points: rowOf(array, row(about.jam.station)), width: 4, colour: alarm });
    }
    for (const k of [0, N - 1]) for (const j of [0, C - 1]) curves.push({ points: [point(solid.above, k, j), point(solid.below, k, j)], width: 1.3, colour: ink });
    const path = about.intended, violet = [...HEX(tones().intended), 255];
    let run_ = [], way = 0;
    path.forEach((place, k) => {
      if (k) way += Math.hypot(place[0] - path[k - 1][0], place[1] - path[k - 1][1]);
      if (way % 3 < 1.8) run_.push([...place, 0]);
      else { if (run_.length > 1) curves.push({ points: run_, width: 2.4, colour: violet }); run_ = []; }
    });
    if (run_.length > 1) curves.push({ points: run_, width: 2.4, colour: violet });
    return curves;
  }

  const rowOf = (array, k, j) => Array.from({ length: k === null ? N : C }, (_, i) => (k === null ? point(array, i, j) : point(array, k, i)));

  function buildWalls(angle) {
    const ink = [...HEX(tones().ink), 255], mark = [...HEX(tones().hand), 255], body = HEX(tones().body);
    about.walls.forEach((wall, number) => {
      const kept = walls[number] || (walls[number] = { wall, solid: drawer.faceMesh(), clear: drawer.faceMesh(), cut: drawer.lineMesh(), all: drawer.lineMesh(), built: false });
      if (kept.built && !wall.turning) return;
      kept.built = true;
      const rim = [...wall.left, ...wall.right.slice().reverse(), wall.left[0]];
      const at = (points, z) => points.map((p) => [p[0], p[1], z]);
      const faces = (z0, z1) => [at(rim, z0).map((p, k) => [p, [rim[k][0], rim[k][1], z1]]), wall.left.map((p, k) => [[...p, z1], [...wall.right[k], z1]]), wall.left.map((p, k) => [[...p, z0], [...wall.right[k], z0]])];
      const rims = (...levels) => levels.map((z) => ({ points: at(rim, z), width: 1.3, colour: ink }));
      if (wall.turning) {
        kept.solid.fill(gridContent(faces(-half, half), [...HEX(tones().axle), 255]));
        const out = [wall.x - Math.sin(angle) * wall.radius, wall.y - Math.cos(angle) * wall.radius];
        const hand = [-half - 0.05, half + 0.05].map((z) => ({ points: [[wall.x, wall.y, z], [...out, z]], width: 4, colour: mark }));
        hand.push({ points: [[...out, -half], [...out, half]], width: 3, colour: mark });
        kept.cut.fill(lineContent([...rims(-half, half), ...hand]));
        return;
      }
      kept.solid.fill(gridContent(faces(-half, 0), [...body, 255]));
      kept.clear.fill(gridContent(faces(-half, half), [...body, 70]));
      kept.cut.fill(lineContent(rims(-half, 0)));
      kept.all.fill(lineContent(rims(-half, half)));
    });
  }

  function draw(view, casing) {
    drawer.begin(HEX(tones().stage));
    for (const { wall, solid, cut } of walls) {
      if (wall.turning || casing === "cut") { drawer.faces(solid, view); drawer.lines(cut, view); }
    }
    drawer.strip(strip, view, now.quantity.over, { over: HEX(tones().over), unknown: HEX(tones().unknown) });
    drawer.lines(marks, view);
    if (casing === "clear") for (const { wall, clear, all } of walls) if (!wall.turning) { drawer.lines(all, view); drawer.faces(clear, view, { clear: true, even: true }); }
  }

  // nearest place of the strip under a point of the view: {s, q} or null
  function pick(view, x, y) {
    let best = null;
    for (const array of [now.solid.above, now.solid.below]) {
      const seen = new Float32Array(array.length);
      for (let k = 0; k < N * C; k++) seen.set(view.seen([array[3 * k], array[3 * k + 1], array[3 * k + 2]]), 3 * k);
      const corner = (k) => [seen[3 * k], seen[3 * k + 1], seen[3 * k + 2]];
      for (let k = 0; k + 1 < N; k++) {
        for (let j = 0; j + 1 < C; j++) {
          const a = k * C + j, four = [a, a + C, a + C + 1, a + 1].map(corner);
          if (Math.min(...four.map((p) => p[0])) > x || Math.max(...four.map((p) => p[0])) < x || Math.min(...four.map((p) => p[1])) > y || Math.max(...four.map((p) => p[1])) < y) continue;
          for (const [p, u, v, origin] of [[four[0], four[1], four[3], [0, 0, 1]], [four[2], four[3], four[1], [1, 1, -1]]]) {
            const det = (u[0] - p[0]) * (v[1] - p[1]) - (v[0] - p[0]) * (u[1] - p[1]);
            const f = ((x - p[0]) * (v[1] - p[1]) - (v[0] - p[0]) * (y - p[1])) / det, g = ((u[0] - p[0]) * (y - p[1]) - (x - p[0]) * (u[1] - p[1])) / det;
            if (!(f >= 0 && g >= 0 && f + g <= 1)) continue;
            const depth = p[2] + f * (u[2] - p[2]) + g * (v[2] - p[2]);
            if (best && best.depth >= depth) continue;
            const ks = k + origin[0] + origin[2] * f, jq = j + origin[1] + origin[2] * g;
            const s = maker.along.at, q = maker.across.at;
            best = { depth, s: s[0] + ((s[N - 1] - s[0]) * ks) / (N - 1), q: q[0] + ((q[C - 1] - q[0]) * jq) / (C - 1) };
          }
        }
      }
    }
    return best || nearest(view, x, y);
  }

  // seen edge-on a strip is hard to hit: the place nearest within a few pixels counts
  function nearest(view, x, y) {
    const s = maker.along.at, q = maker.across.at;
    let best = null, least = 8;
    for (let k = 0; k < N; k++) {
      for (const j of [0, (C - 1) >> 1, C - 1]) {
        const seen = view.seen(point(now.solid.points, k, j)), away = Math.hypot(seen[0] - x, seen[1] - y);
        if (away < least) { least = away; best = { s: s[k], q: q[j] }; }
      }
    }
    return best;
  }

  function at(s, q) {
    const j = Math.round(((q - maker.across.at[0]) / (maker.across.at[C - 1] - maker.across.at[0])) * (C - 1));
    return { row: row(s), column: Math.min(C - 1, Math.max(0, j)) };
  }

  function valuesAt(s, q) {
    const { row: k, column: j } = at(s, q);
    return run.quantities.map((quantity) => ({ quantity, value: maker.shown(quantity, now.state)[k * C + j] }));
  }

  const placeOf = (s, q) => { const { row: k, column: j } = at(s, q); return point(now.solid.points, k, j); };

  // what to name, most wanted first: [words, point, kind]
  function names(probe) {
    const out = [], last = about.stations[run.n - 1], slot = about.states[now.state].slot;
    if (about.jam) out.push([`jam: ${about.jam.mode}\n${about.jam.place}`, placeOf(about.jam.station, about.across[0] * -1), "jam"]);
    if (probe) out.push([`s ${probe.s.toFixed(1)}, q ${probe.q.toFixed(1)}`, placeOf(probe.s, probe.q), "probe"]);
    const seen = new Set();
    for (const wall of about.walls) {
      const name = wall.name.split(",")[0];
      if (seen.has(name)) continue;
      seen.add(name);
      const k = wall.around ? Math.floor(wall.left.length / 3) : Math.floor(wall.left.length / 2);
      out.push([name, wall.turning ? [wall.x, wall.y, half] : [...wall.left[k].map((v, c) => (v + wall.right[k][c]) / 2), 0], "wall"]);
    }
    for (let s = ticks; s < last - ticks * 0.3; s += ticks) if (slot === null || s > slot + 3) out.push([`${+s.toFixed(3)}`, placeOf(s, about.across[0]), "tick"]);
    return out;
  }

  // points that words should leave free: the strip's middle and edges, the walls' rims
  function busy() {
    const out = [];
    for (let k = 0; k < N; k += 6) for (const j of [0, (C - 1) >> 1, C - 1]) out.push(point(now.solid.points, k, j));
    for (const wall of about.walls) if (!wall.plane) for (const side of [wall.left, wall.right]) for (let k = 0; k < side.length; k += 5) for (const z of [-half, 0, half]) out.push([side[k][0], side[k][1], z]);
    return out;
  }
  function extent(which) {
    const near = which === "casing" && about.walls.find((wall) => wall.around);
    const points = near ? [...near.left, ...near.right].map((p) => [...p, 0]) : [];
    if (near) return points.flatMap((p) => [[p[0], p[1], -half], [p[0], p[1], half]]);
    for (const wall of about.walls) if (!wall.plane) points.push(...[...wall.left, ...wall.right].map((p) => [...p, 0]));
    for (let corner = 0; corner < 8; corner++) points.push([0, 1, 2].map((c) => about.low[c] + ((corner >> c) & 1) * about.size[c]));
    return points;
  }
  return { show, draw, pick, valuesAt, names, busy, extent, placeOf, reach, ticks, hasCasing: about.walls.some((w) => w.around), repaint: () => { walls.length = 0; } };
}

function stripIndex(N, C) {
  const index = [], count = N * C;
  for (const first of [0, count]) for (let k = 0; k + 1 < N; k++) for (let j = 0; j + 1 < C; j++) index.push(...quad(first + k * C + j, C));
  let at = 2 * count;
  for (const long of [N, N, C, C]) {
    for (let k = 0; k + 1 < long; k++) index.push(...quad(at + 2 * k, 2));
    at += 2 * long;
  }
  return new Uint16Array(index);
}
