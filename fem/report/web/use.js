// Hands and eyes: slider, buttons, plot, mouse, touch, keys; and the words that follow them.

function startPage() {
  const find = (id) => document.getElementById(id);
  const about = JSON.parse(find("run-about").textContent);
  const run = readRun(about, find("run-data").textContent);
  const canvas = find("picture"), overlay = find("names"), root = document.documentElement;
  let drawer = null;
  try { drawer = makeDrawer(canvas, about.ramp); } catch (problem) { console.warn(`no 3-D: ${problem.message}`); }
  const tone = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();
  const tones = () => Object.fromEntries(["ink", "alarm", "intended", "body", "axle", "stage", "hand", "over", "unknown"].map((name) => [name, tone(name)]));
  const scene = makeScene(run, drawer, tones);
  const camera = { turn: -20 * Math.PI / 180, tilt: 22 * Math.PI / 180, centre: [0, 0, 0], scale: 0.2 };
  const slider = find("state"), colours = find("colour"), casing = find("casing");
  const last = run.count - 1;
  let state = about.start, probe = null, playing = 0, view = null, waiting = false, fitted = "all";

  const size = () => { const box = canvas.getBoundingClientRect(); return [Math.max(1, box.width), Math.max(1, box.height)]; };
  const quantity = () => run.quantities.find((one) => one.name === colours.value);

  function fit(which) {
    fitted = which;
    const [width, height] = size(), sight = sightOf({ ...camera, centre: [0, 0, 0], scale: 1 }, 2, 2, 1);
    const seen = scene.extent(which).map((p) => [dot(p, sight.right), dot(p, sight.up), dot(p, sight.back)]);
    const low = [0, 1, 2].map((c) => Math.min(...seen.map((p) => p[c]))), high = [0, 1, 2].map((c) => Math.max(...seen.map((p) => p[c])));
    camera.scale = Math.max((high[0] - low[0]) / (width * 0.86), (high[1] - low[1]) / (height * 0.84), 1e-4);
    const middle = low.map((value, c) => (value + high[c]) / 2);
    camera.centre = [0, 1, 2].map((k) => middle[0] * sight.right[k] + middle[1] * sight.up[k] + middle[2] * sight.back[k]);
    draw();
  }

  function draw() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; drawNow(); });
  }

  function drawNow() {
    if (!drawer) return;
    const [width, height] = size(), fine = Math.min(2, window.devicePixelRatio || 1);
    const want = [Math.round(width * fine), Math.round(height * fine)];
    if (canvas.width !== want[0] || canvas.height !== want[1]) [canvas.width, canvas.height] = want;
    view = sightOf(camera, width, height, scene.reach);
    scene.draw(view, casing.value);
    overlay.setAttribute("viewBox", `0 0 ${width} ${height}`);
    overlay.innerHTML = labels(view, scene.names(probe), scene.busy());
  }

  function show(next) {
    state = Math.min(last, Math.max(0, next));
    const here = about.states[state];
    slider.value = state;
    const words = here.words;
    slider.setAttribute("aria-valuetext", `state ${state + 1} of ${last + 1}: ${words}`);
    find("state-words").textContent = `${state + 1} of ${last + 1}: ${words}`;
    document.querySelectorAll("[data-stop]").forEach((stop) => stop.setAttribute("aria-pressed", String(Number(stop.dataset.stop) === state)));
    const marker = find("marker"), at = about.plot && about.plot[state];
    if (marker) {
      marker.style.display = at && at[0] !== null ? "" : "none";
      if (at && at[0] !== null) { marker.setAttribute("cx", at[0]); marker.setAttribute("cy", at[1]); }
    }
    document.querySelectorAll("[data-value]").forEach((cell) => { cell.textContent = here.values[cell.dataset.value] ?? "-"; });
    scene.show(state, quantity());
    showProbe();
    draw();
  }

  function showProbe() {
    const table = find("probe-values");
    find("probe-hint").hidden = Boolean(probe);
    table.innerHTML = "";
    if (!probe) return;
    for (const { quantity: one, value } of scene.valuesAt(probe.s, probe.q)) {
      const line = table.insertRow();
      line.insertCell().textContent = one.caption;
      line.insertCell().textContent = Number.isNaN(value) ? "-" : `${value.toPrecision(3)} ${one.unit}`;
    }
    find("probe-s").value = probe.s.toFixed(1);
    find("probe-q").value = probe.q.toFixed(1);
  }

  function showScale() {
    const one = quantity(), stops = one.darkLow ? about.ramp.slice().reverse() : about.ramp;
    const step = (value) => Number(value.toPrecision(3)).toString();
    find("scale-title").textContent = `${one.caption} [${one.unit}]`;
    find("scale-bar").style.background = `linear-gradient(to right, ${stops.join(",")})`;
    ["low", "middle", "high"].forEach((name, k) => { find(`scale-${name}`).textContent = step(one.low + ((one.high - one.low) * k) / 2); });
    find("scale-over").hidden = !one.over;
    find("scale-note").textContent = one.note;
  }

  function play(on) {
    clearInterval(playing);
    playing = on ? setInterval(() => { if (state === last) play(false); else show(state + 1); }, 140) : 0;
    find("play").textContent = on ? "hold" : "play";
    find("play").setAttribute("aria-pressed", String(Boolean(on)));
  }

  // ---- slider, buttons, choices
  slider.addEventListener("input", () => { play(false); show(Number(slider.value)); });
  find("back").addEventListener("click", () => { play(false); show(state - 1); });
  find("on").addEventListener("click", () => { play(false); show(state + 1); });
  find("play").addEventListener("click", () => { if (!playing && state === last) show(0); play(!playing); });
  document.querySelectorAll("[data-stop]").forEach((stop) => stop.addEventListener("click", () => { play(false); show(Number(stop.dataset.stop)); }));
  colours.addEventListener("change", () => { showScale(); show(state); });
  casing.addEventListener("change", draw);
  document.querySelectorAll("[data-look]").forEach((button) => button.addEventListener("click", () => {
    const [turn, tilt] = button.dataset.look.split(" ").map(Number);
    if (!Number.isNaN(turn)) { camera.turn = (turn * Math.PI) / 180; camera.tilt = (tilt * Math.PI) / 180; }
    fit(button.dataset.fit || fitted);
  }));
  const chart = document.querySelector("#torque-chart svg");
  if (chart) chart.addEventListener("click", (event) => {
    const box = chart.getBoundingClientRect(), wide = chart.viewBox.baseVal.width, high = chart.viewBox.baseVal.height;
    const x = ((event.clientX - box.left) / box.width) * wide, y = ((event.clientY - box.top) / box.height) * high;
    let best = -1, least = Infinity;
    about.plot.forEach((place, k) => {
      const away = place[0] === null ? Infinity : Math.hypot(place[0] - x, place[1] - y);
      if (away < least) { least = away; best = k; }
    });
    if (best >= 0) { play(false); show(best); }
  });
  for (const id of ["probe-s", "probe-q"]) find(id).addEventListener("change", () => {
    const s = Number(find("probe-s").value), q = Number(find("probe-q").value), n = about.stations, m = about.across;
    probe = { s: Math.min(n[n.length - 1], Math.max(n[0], s)), q: Math.min(m[m.length - 1], Math.max(m[0], q)) };
    showProbe();
    draw();
  });

  // ---- mouse, touch, keys on the picture
  const held = new Map();
  let walked = 0;
  const turnBy = (dx, dy) => { camera.turn -= dx; camera.tilt = Math.min(1.57, Math.max(-1.57, camera.tilt + dy)); draw(); };
  const moveBy = (dx, dy) => { camera.centre = camera.centre.map((value, k) => value - view.right[k] * dx * camera.scale + view.up[k] * dy * camera.scale); draw(); };
  const nearBy = (factor) => { camera.scale = Math.min(5, Math.max(0.001, camera.scale / factor)); draw(); };
  canvas.addEventListener("pointerdown", (event) => { canvas.setPointerCapture(event.pointerId); if (!held.size) walked = 0; held.set(event.pointerId, [event.clientX, event.clientY]); });
  canvas.addEventListener("pointermove", (event) => {
    const before = held.get(event.pointerId);
    if (!before || !view) return;
    const here = [event.clientX, event.clientY], dx = here[0] - before[0], dy = here[1] - before[1];
    walked += Math.hypot(dx, dy);
    if (held.size > 1) {
      const other = [...held].find(([id]) => id !== event.pointerId)[1];
      nearBy(Math.hypot(here[0] - other[0], here[1] - other[1]) / Math.max(1, Math.hypot(before[0] - other[0], before[1] - other[1])));
      moveBy(dx / 2, dy / 2);
    } else if (event.shiftKey || event.buttons & 6) moveBy(dx, dy);
    else turnBy(dx * 0.008, dy * 0.008);
    held.set(event.pointerId, here);
  });
  const release = (event) => {
    if (held.delete(event.pointerId) && event.type === "pointerup" && walked < 5 && view) {
      const box = canvas.getBoundingClientRect(), found = scene.pick(view, event.clientX - box.left, event.clientY - box.top);
      if (found) { probe = found; showProbe(); draw(); }
    }
  };
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    if (document.activeElement !== canvas && !event.ctrlKey) return; // the page scrolls until the picture is taken in hand
    event.preventDefault();
    nearBy(Math.exp(-event.deltaY * 0.0015));
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way && event.shiftKey) moveBy(way[0] * 24, way[1] * 24);
    else if (way) turnBy(way[0] * 0.1, way[1] * 0.1);
    else if (event.key === "+" || event.key === "=") nearBy(1.2);
    else if (event.key === "-") nearBy(1 / 1.2);
    else if (event.key === "0") fit(fitted);
    else if (event.key === " ") find("play").click();
    else return;
    event.preventDefault();
  });
  window.addEventListener("resize", () => fit(fitted));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { scene.repaint(); show(state); });

  root.classList.add(drawer ? "lively" : "flat");
  if (!drawer) find("flat-note").hidden = false;
  showScale();
  show(state);
  fit(scene.hasCasing && about.jam ? "casing" : "all");
  root.dataset.ready = "yes";
}

// Words near their points, none over another, few over the strip; each with a line to what it names.
function labels(view, names, busy) {
  const taken = [], strip = busy.map((p) => view.seen(p)), parts = [];
  const clean = (text) => text.replace(/[&<>]/g, (letter) => `&#${letter.charCodeAt(0)};`);
  for (const [words, place, kind] of names) {
    const [x, y] = view.seen(place);
    if (x < 2 || y < 2 || x > view.width - 2 || y > view.height - 2) continue;
    const size = kind === "jam" ? 15 : 13, lines = words.split("\n"), high = size * 1.2 * lines.length - size * 0.2;
    const long = Math.max(...lines.map((line) => line.length)) * size * 0.58, far = kind === "tick" ? [12] : kind === "wall" ? [22, 40, 66] : [34, 60, 100, 150, 210];
    let best = null;
    for (const away of far) {
      for (let k = 0; k < 16; k++) {
        const angle = (k * Math.PI) / 8 + 0.4, px = x + away * Math.cos(angle), py = y - away * Math.sin(angle);
        const left = px - long * (0.5 - 0.5 * Math.cos(angle)), top = py - high * (0.5 + 0.5 * Math.sin(angle));
        const box = [left - 3, top - 2, left + long + 3, top + high + 3];
        if (box[0] < 2 || box[1] < 2 || box[2] > view.width - 2 || box[3] > view.height - 2) continue;
        if (taken.some((b) => box[0] < b[2] && b[0] < box[2] && box[1] < b[3] && b[1] < box[3])) continue;
        let over = 0;
        for (const p of strip) if (p[0] > box[0] - 6 && p[0] < box[2] + 6 && p[1] > box[1] - 6 && p[1] < box[3] + 6) over++;
        const cost = over * 9 + away;
        if (!best || cost < best.cost) best = { cost, box, px, py, left, top };
      }
    }
    if (!best || (kind === "tick" && best.cost > 40)) continue;
    taken.push(best.box);
    if (kind !== "tick") parts.push(`<path class="leader ${kind}" d="M${x.toFixed(1)} ${y.toFixed(1)}L${Math.min(Math.max(x, best.box[0]), best.box[2]).toFixed(1)} ${Math.min(Math.max(y, best.box[1]), best.box[3]).toFixed(1)}"/>`);
    if (kind === "probe" || kind === "jam") parts.push(`<circle class="dot ${kind}" cx="${x.toFixed(1)}" cy="${y.toFixed(1)}" r="${kind === "jam" ? 8 : 5}"/>`);
    lines.forEach((line, k) => parts.push(`<text class="name ${kind}" x="${best.left.toFixed(1)}" y="${(best.top + size * (0.85 + 1.2 * k)).toFixed(1)}" font-size="${size}">${clean(line)}</text>`));
  }
  return parts.join("");
}

startPage();
