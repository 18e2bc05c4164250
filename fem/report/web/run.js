// The run: arrays out of their two-byte numbers, and the strip of one state as a solid of true thickness.

function readRun(about, text) {
  const raw = atob(text.trim());
  const bytes = Uint8Array.from(raw, (letter) => letter.charCodeAt(0));
  const count = about.states.length, n = about.stations.length, m = about.across.length;
  const places = new Int16Array(bytes.buffer, 0, count * n * m * 3);
  let offset = places.byteLength;
  const quantities = about.quantities.map((one) => {
    const per = one.perPoint ? n * m : n;
    const codes = new Uint16Array(bytes.buffer, offset, count * per);
    offset += codes.byteLength;
    return { ...one, per, codes };
  });
  if (offset !== bytes.length) throw new Error("the data of this page are not whole");

  function surface(state) {
    const out = new Float32Array(n * m * 3), from = state * out.length;
    for (let k = 0; k < out.length; k++) {
      out[k] = about.low[k % 3] + ((places[from + k] + 32767) / 65534) * about.size[k % 3];
    }
    return out;
  }

  // values at all points; NaN where there is none
  function values(quantity, state) {
    const out = new Float32Array(n * m), wide = quantity.per === n ? m : 1, from = state * quantity.per;
    for (let k = 0; k < out.length; k++) {
      const code = quantity.codes[from + (wide === 1 ? k : Math.floor(k / m))];
      out[k] = code === 65535 ? NaN : quantity.from + (code / 65534) * (quantity.to - quantity.from);
    }
    return out;
  }

  return { about, count, n, m, quantities, surface, values };
}

// Indices and weights that carry values from rising places to a finer row: cubic through neighbours
// (Hermite, slopes from the chord of both neighbours) for shapes, linear for quantities.
function fineRow(places, count) {
  const last = places.length - 1, row = { count, at: new Float32Array(count), index: [], cubic: [], linear: [] };
  for (let k = 0, i = 0; k < count; k++) {
    const at = places[0] + ((places[last] - places[0]) * k) / (count - 1);
    while (i < last - 1 && at > places[i + 1]) i++;
    const h = places[i + 1] - places[i], t = Math.min(1, Math.max(0, (at - places[i]) / h));
    const a = Math.max(0, i - 1), d = Math.min(last, i + 2), before = places[i + 1] - places[a], after = places[d] - places[i];
    const left = ((t ** 3 - 2 * t ** 2 + t) * h) / before, right = ((t ** 3 - t ** 2) * h) / after;
    const start = 2 * t ** 3 - 3 * t ** 2 + 1;
    row.at[k] = at;
    row.index.push([a, i, i + 1, d]);
    row.cubic.push([-left, start - right, 1 - start + left, right]);
    row.linear.push([0, 1 - t, t, 0]);
  }
  return row;
}

function carried(values, width, m, along, across, kind) {
  const half = new Float32Array(along.count * m * width);
  for (let k = 0; k < along.count; k++) {
    const index = along.index[k], weight = along[kind][k];
    for (let j = 0; j < m * width; j++) {
      let sum = 0;
      for (let p = 0; p < 4; p++) if (weight[p]) sum += weight[p] * values[index[p] * m * width + j];
      half[k * m * width + j] = sum;
    }
  }
  const out = new Float32Array(along.count * across.count * width);
  for (let k = 0; k < along.count; k++) {
    for (let j = 0; j < across.count; j++) {
      const index = across.index[j], weight = across[kind][j];
      for (let c = 0; c < width; c++) {
        let sum = 0;
        for (let p = 0; p < 4; p++) if (weight[p]) sum += weight[p] * half[(k * m + index[p]) * width + c];
        out[(k * across.count + j) * width + c] = sum;
      }
    }
  }
  return out;
}

// The grids of the strip: points on both broad faces and their normals.
function solidMaker(run) {
  const { n, m, about } = run;
  const along = fineRow(about.stations, Math.min(560, 4 * (n - 1) + 1));
  const across = fineRow(about.across, m > 2 ? Math.min(21, 2 * (m - 1) + 1) : m);
  const even = typeof about.thickness === "number";
  const thick = even ? null : carried(Float32Array.from(about.thickness.flat()), 1, m, along, across, "linear");
  const N = along.count, C = across.count;

  function solid(state) {
    const points = carried(run.surface(state), 3, m, along, across, "cubic");
    const above = new Float32Array(points.length), below = new Float32Array(points.length);
    const normals = new Float32Array(points.length);
    const step = (k, j, c) => points[(k * C + j) * 3 + c];
    for (let k = 0; k < N; k++) {
      for (let j = 0; j < C; j++) {
        const k0 = Math.max(0, k - 1), k1 = Math.min(N - 1, k + 1), j0 = Math.max(0, j - 1), j1 = Math.min(C - 1, j + 1);
        const s = [0, 1, 2].map((c) => step(k1, j, c) - step(k0, j, c));
        const q = [0, 1, 2].map((c) => step(k, j1, c) - step(k, j0, c));
        const normal = unit(cross(q, s)), at = (k * C + j) * 3, half = (even ? about.thickness : thick[k * C + j]) / 2;
        for (let c = 0; c < 3; c++) {
          normals[at + c] = normal[c];
          above[at + c] = points[at + c] + normal[c] * half;
          below[at + c] = points[at + c] - normal[c] * half;
        }
      }
    }
    return { points, above, below, normals };
  }

  const shown = (quantity, state) => carried(run.values(quantity, state), 1, m, along, across, "linear");
  return { N, C, along, across, solid, shown };
}

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const unit = (a) => { const size = Math.hypot(...a) || 1; return a.map((part) => part / size); };
