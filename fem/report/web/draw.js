// The picture: a parallel view with turning, moving and nearing, drawn with WebGL; words lie above it as SVG.

const HEX = (text) => [1, 3, 5].map((k) => parseInt(text.slice(k, k + 2), 16));

const FACE_SHADER = [
  `attribute vec3 place; attribute vec3 normal; attribute vec4 colour;
   uniform mat4 sight; uniform vec3 light; uniform vec3 back; uniform float even; varying vec4 shade;
   void main() {
     vec3 n = dot(normal, back) < 0.0 ? -normal : normal;
     float lit = even > 0.5 ? 1.0 : 0.72 + 0.28 * max(dot(n, light), 0.0);
     shade = vec4(colour.rgb * lit, colour.a);
     gl_Position = sight * vec4(place, 1.0);
   }`,
  `precision mediump float; varying vec4 shade; void main() { gl_FragColor = shade; }`,
];
// the colour of a value is looked up for every pixel: no colour is shown that is not on the scale
const STRIP_SHADER = [
  `attribute vec3 place; attribute vec3 normal; attribute float share;
   uniform mat4 sight; uniform vec3 light; uniform vec3 back; varying float value; varying float lit;
   void main() {
     vec3 n = dot(normal, back) < 0.0 ? -normal : normal;
     lit = 0.72 + 0.28 * max(dot(n, light), 0.0);
     value = share;
     gl_Position = sight * vec4(place, 1.0);
   }`,
  `precision highp float; varying float value; varying float lit; uniform sampler2D ramp; uniform float over; uniform vec3 overTone; uniform vec3 unknownTone;
   void main() {
     vec3 colour = texture2D(ramp, vec2((clamp(value, 0.0, 1.0) * 63.0 + 0.5) / 64.0, 0.5)).rgb;
     if (over > 0.5 && value > 1.0) colour = overTone;
     if (value < -1.0) colour = unknownTone;
     gl_FragColor = vec4(colour * lit, 1.0);
   }`,
];
const NO_VALUE = -1000;
const LINE_SHADER = [
  `attribute vec3 start; attribute vec3 end; attribute vec3 corner; attribute vec4 colour;
   uniform mat4 sight; uniform vec2 size; varying vec4 shade;
   void main() {
     vec4 a = sight * vec4(start, 1.0), b = sight * vec4(end, 1.0);
     vec2 way = (b.xy - a.xy) * size; float far = length(way);
     way = far > 0.0 ? way / far : vec2(1.0, 0.0);
     vec4 here = corner.x < 0.5 ? a : b;
     vec2 off = (vec2(-way.y, way.x) * corner.y + way * (corner.x - 0.5) * 0.6) * corner.z;
     gl_Position = vec4(here.xy + off / size, here.z - 0.0012, 1.0);
     shade = colour;
   }`,
  FACE_SHADER[1],
];

function makeDrawer(canvas, ramp) {
  const gl = canvas.getContext("webgl", { antialias: true, alpha: false, preserveDrawingBuffer: true });
  if (!gl) return null;
  const program = (parts) => {
    const made = gl.createProgram();
    [gl.VERTEX_SHADER, gl.FRAGMENT_SHADER].forEach((kind, k) => {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, parts[k]);
      gl.compileShader(shader);
      gl.attachShader(made, shader);
    });
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(made));
    return made;
  };
  const faces = program(FACE_SHADER), lines = program(LINE_SHADER), strips = program(STRIP_SHADER);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB, ramp.length, 1, 0, gl.RGB, gl.UNSIGNED_BYTE, new Uint8Array(ramp.flatMap(HEX)));
  for (const [name, value] of [["MIN_FILTER", "LINEAR"], ["MAG_FILTER", "LINEAR"], ["WRAP_S", "CLAMP_TO_EDGE"], ["WRAP_T", "CLAMP_TO_EDGE"]]) gl.texParameteri(gl.TEXTURE_2D, gl[`TEXTURE_${name}`], gl[value]);

  // a mesh: one buffer for each of its parts
  function mesh(parts) {
    const made = { buffers: {}, count: 0 };
    made.fill = (content) => {
      made.count = content.count;
      for (const name of parts) {
        made.buffers[name] = made.buffers[name] || gl.createBuffer();
        const kind = name === "index" ? gl.ELEMENT_ARRAY_BUFFER : gl.ARRAY_BUFFER;
        if (!content[name]) continue;
        gl.bindBuffer(kind, made.buffers[name]);
        gl.bufferData(kind, content[name], gl.DYNAMIC_DRAW);
      }
      return made;
    };
    return made;
  }

  function bind(which, made, layout) {
    gl.useProgram(which);
    for (const [name, size, bytes] of layout) {
      const place = gl.getAttribLocation(which, name);
      gl.bindBuffer(gl.ARRAY_BUFFER, made.buffers[name]);
      gl.enableVertexAttribArray(place);
      gl.vertexAttribPointer(place, size, bytes ? gl.UNSIGNED_BYTE : gl.FLOAT, Boolean(bytes), 0, 0);
    }
  }

  const FACES = [["place", 3], ["normal", 3], ["colour", 4, true]];
  const STRIPS = [["place", 3], ["normal", 3], ["share", 1]];
  const LINES = [["start", 3], ["end", 3], ["corner", 3], ["colour", 4, true]];
  return {
    faceMesh: () => mesh(["place", "normal", "colour", "index"]),
    stripMesh: () => mesh(["place", "normal", "share", "index"]),
    lineMesh: () => mesh(["start", "end", "corner", "colour"]),
    begin(paper) {
      gl.viewport(0, 0, canvas.width, canvas.height);
      gl.clearColor(paper[0] / 255, paper[1] / 255, paper[2] / 255, 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
    },
    faces(made, view, { even = false, clear = false } = {}) {
      if (!made.count) return;
      bind(faces, made, FACES);
      gl.uniformMatrix4fv(gl.getUniformLocation(faces, "sight"), false, view.matrix);
      gl.uniform3fv(gl.getUniformLocation(faces, "back"), view.back);
      gl.uniform3fv(gl.getUniformLocation(faces, "light"), view.light);
      gl.uniform1f(gl.getUniformLocation(faces, "even"), even ? 1 : 0);
      (clear ? gl.enable : gl.disable).call(gl, gl.BLEND);
      gl.depthMask(!clear);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, made.buffers.index);
      gl.drawElements(gl.TRIANGLES, made.count, gl.UNSIGNED_SHORT, 0);
      gl.depthMask(true);
    },
    // tones: colours of what is beyond the limit and of what is not known, each [r, g, b]
    strip(made, view, over, tones) {
      bind(strips, made, STRIPS);
      gl.uniformMatrix4fv(gl.getUniformLocation(strips, "sight"), false, view.matrix);
      gl.uniform3fv(gl.getUniformLocation(strips, "back"), view.back);
      gl.uniform3fv(gl.getUniformLocation(strips, "light"), view.light);
      gl.uniform1f(gl.getUniformLocation(strips, "over"), over ? 1 : 0);
      for (const name of ["over", "unknown"]) gl.uniform3fv(gl.getUniformLocation(strips, `${name}Tone`), tones[name].map((part) => part / 255));
      gl.disable(gl.BLEND);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, made.buffers.index);
      gl.drawElements(gl.TRIANGLES, made.count, gl.UNSIGNED_SHORT, 0);
    },
    lines(made, view) {
      if (!made.count) return;
      bind(lines, made, LINES);
      gl.uniformMatrix4fv(gl.getUniformLocation(lines, "sight"), false, view.matrix);
      gl.uniform2f(gl.getUniformLocation(lines, "size"), view.width / 2, view.height / 2);
      gl.enable(gl.BLEND);
      gl.drawArrays(gl.TRIANGLES, 0, made.count);
    },
  };
}

// Segments as pairs of triangles that keep their width on the screen.
function lineContent(curves) {
  let segments = 0;
  for (const { points } of curves) segments += points.length - 1;
  const out = { start: new Float32Array(segments * 18), end: new Float32Array(segments * 18),
    corner: new Float32Array(segments * 18), colour: new Uint8Array(segments * 24), count: segments * 6 };
  const corners = [[0, -1], [1, -1], [1, 1], [0, -1], [1, 1], [0, 1]];
  let at = 0;
  for (const { points, width, colour } of curves) {
    for (let k = 0; k + 1 < points.length; k++) {
      for (const [end, side] of corners) {
        out.start.set(points[k], at * 3);
        out.end.set(points[k + 1], at * 3);
        out.corner.set([end, side, width / 2], at * 3);
        out.colour.set(colour, at * 4);
        at++;
      }
    }
  }
  return out;
}

// Grids of points (rows of [x, y, z]) as one mesh of one colour; normals from the grid itself.
function gridContent(grids, colour) {
  const place = [], normal = [], index = [];
  for (const grid of grids) {
    const rows = grid.length, columns = grid[0].length, first = place.length / 3;
    for (let i = 0; i < rows; i++) {
      for (let j = 0; j < columns; j++) {
        const a = grid[Math.max(0, i - 1)][j], b = grid[Math.min(rows - 1, i + 1)][j];
        const c = grid[i][Math.max(0, j - 1)], d = grid[i][Math.min(columns - 1, j + 1)];
        place.push(...grid[i][j]);
        normal.push(...unit(cross(d.map((v, k) => v - c[k]), b.map((v, k) => v - a[k]))));
        if (i + 1 < rows && j + 1 < columns) index.push(...quad(first + i * columns + j, columns));
      }
    }
  }
  const colours = new Uint8Array((place.length / 3) * 4);
  for (let k = 0; k < colours.length; k++) colours[k] = colour[k % 4];
  return { place: new Float32Array(place), normal: new Float32Array(normal), colour: colours,
    index: new Uint16Array(index), count: index.length };
}

const quad = (corner, columns) => [corner, corner + columns, corner + columns + 1, corner, corner + columns + 1, corner + 1];

// A parallel view: turn and tilt in radians, centre in mm, scale in mm per pixel of the page.
function sightOf(camera, width, height, reach) {
  const ct = Math.cos(camera.turn), st = Math.sin(camera.turn), cl = Math.cos(camera.tilt), sl = Math.sin(camera.tilt);
  const right = [ct, 0, -st], back = [st * cl, sl, ct * cl], up = cross(back, right);
  const x = 2 / (camera.scale * width), y = 2 / (camera.scale * height), z = -1 / reach;
  const row = (way, factor) => [...way.map((part) => part * factor), -dot(way, camera.centre) * factor];
  const rows = [row(right, x), row(up, y), row(back, z)];
  const matrix = new Float32Array(16);
  rows.forEach((values, i) => values.forEach((value, j) => { matrix[j * 4 + i] = value; }));
  matrix[15] = 1;
  const light = unit(right.map((_, k) => 0.75 * back[k] + 0.55 * up[k] - 0.35 * right[k]));
  const seen = (point) => {
    const away = point.map((part, k) => part - camera.centre[k]);
    return [width / 2 + dot(away, right) / camera.scale, height / 2 - dot(away, up) / camera.scale, dot(away, back)];
  };
  return { matrix, right, up, back, light, seen, width, height };
}
