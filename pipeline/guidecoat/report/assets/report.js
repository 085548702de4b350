"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const KINDS = { f4: Float32Array, i2: Int16Array, u2: Uint16Array, i4: Int32Array, u1: Uint8Array };

  function array(packed) {
    const text = atob(packed.bytes);
    const bytes = new Uint8Array(text.length);
    for (let n = 0; n < text.length; n++) bytes[n] = text.charCodeAt(n);
    return new KINDS[packed.kind](bytes.buffer);
  }

  function signed(value, digits) {
    return (value < 0 ? "\u2212" : "+") + Math.abs(value).toFixed(digits);
  }

  // --- the lamps: a place is lit where |x - place| * share <= radius for the nearest lamp ------

  const NOTHING = -32768;
  const light = data.light && unpackLight(data.light);
  const lamps = { way: light ? light.ways[0].id : "", at: 0 };

  function unpackLight(packed) {
    const ways = packed.ways.map((way) => ({
      id: way.id, spacing: way.spacing_mm, radius: way.radius_mm, step: way.step_mm,
      fair: { place: array(way.fair_place), share: array(way.fair_share) },
      measured: { place: array(way.measured_place), share: array(way.measured_share) },
    }));
    return { ways, nu: packed.nu, nv: packed.nv, cell: packed.cell_mm };
  }

  function brightness(place, share, way, at, soft) {
    let off = (at - place) % way.spacing;
    if (off < 0) off += way.spacing;
    const distance = Math.min(off, way.spacing - off) * share;
    return Math.min(1, Math.max(0, 0.5 + (way.radius - distance) / soft));
  }

  function chosenWay() { return light.ways.find((way) => way.id === lamps.way); }
  function lampsAt() { return lamps.at * chosenWay().spacing; }

  function spread(field, way, width, height) {
    // The fields at every pixel, between the cells' centres; u runs right and v up.
    const place = new Float32Array(width * height), share = new Float32Array(width * height);
    const at = (i, j) => field.place[i * light.nv + j];
    for (let y = 0; y < height; y++) {
      const b = (height - 0.5 - y) / height * light.nv - 0.5;
      const j0 = Math.min(Math.max(Math.floor(b), 0), light.nv - 1);
      const j1 = Math.min(j0 + 1, light.nv - 1), tb = Math.min(Math.max(b - j0, 0), 1);
      for (let x = 0; x < width; x++) {
        const a = (x + 0.5) / width * light.nu - 0.5;
        const i0 = Math.min(Math.max(Math.floor(a), 0), light.nu - 1);
        const i1 = Math.min(i0 + 1, light.nu - 1), ta = Math.min(Math.max(a - i0, 0), 1);
        const corners = [at(i0, j0), at(i1, j0), at(i0, j1), at(i1, j1)];
        const weights = [(1 - ta) * (1 - tb), ta * (1 - tb), (1 - ta) * tb, ta * tb];
        const pixel = y * width + x;
        let sum = 0, known = 0;
        for (let n = 0; n < 4; n++) {
          if (corners[n] !== NOTHING) { sum += weights[n] * corners[n]; known += weights[n]; }
        }
        if (known < 0.5) { place[pixel] = NaN; continue; }
        place[pixel] = way.step * sum / known;
        share[pixel] = Math.max(...[[i0, j0], [i1, j0], [i0, j1], [i1, j1]].map(([i, j]) => field.share[i * light.nv + j])) / 255;
      }
    }
    return { place, share };
  }

  const canvases = [];

  function prepareCanvas(canvas, surface) {
    const shown = Math.max(canvas.clientWidth, 300) * Math.min(window.devicePixelRatio || 1, 2);
    const width = Math.round(Math.min(shown, 760));
    const height = Math.max(40, Math.round(width * light.nv / light.nu));
    canvas.width = width;
    canvas.height = height;
    const fields = {};
    for (const way of light.ways) fields[way.id] = spread(way[surface], way, width, height);
    canvases.push({ canvas, fields, width, height });
  }

  function drawLight() {
    const way = chosenWay(), at = lampsAt(), soft = 0.35 * way.radius;
    for (const { canvas, fields, width, height } of canvases) {
      const context = canvas.getContext("2d");
      const image = context.createImageData(width, height);
      const { place, share } = fields[way.id];
      for (let n = 0; n < place.length; n++) {
        const known = place[n] === place[n];
        const level = known ? 34 + 221 * brightness(place[n], share[n], way, at, soft) : 0;
        image.data[4 * n] = known ? level : 205;
        image.data[4 * n + 1] = known ? level : 198;
        image.data[4 * n + 2] = known ? level : 184;
        image.data[4 * n + 3] = 255;
      }
      context.putImageData(image, 0, 0);
      nameMarks(context, width, height);
    }
  }

  function nameMarks(context, width, height) {
    const size = Math.max(12, Math.round(width / 42));
    context.font = "bold " + size + "px sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineJoin = "round";
    for (const mark of data.marks) {
      const x = mark.across * width, y = (1 - mark.up) * height;
      context.lineWidth = size / 3;
      context.strokeStyle = "#fff";
      context.strokeText(mark.name, x, y);
      context.fillStyle = mark.kind === "low" ? "#542788" : mark.kind === "high" ? "#8f4405" : "#1a1a1a";
      context.fillText(mark.name, x, y);
    }
  }

  if (light) {
    prepareCanvas(byId("light-measured"), "measured");
    prepareCanvas(byId("light-fair"), "fair");
    const slider = byId("lamp-place"), way = byId("lamp-way");
    let asked = false;
    const redraw = () => {
      lamps.at = slider.value / slider.max;
      slider.setAttribute("aria-valuetext", "lamps moved by " + Math.round(lampsAt()) + " mm");
      byId("lamp-moved").textContent = Math.round(lampsAt()) + " mm";
      if (asked) return;
      asked = true;
      requestAnimationFrame(() => { asked = false; drawLight(); });
    };
    slider.addEventListener("input", redraw);
    slider.addEventListener("change", () => { if (scene) scene.relight(); });
    way.addEventListener("change", () => {
      lamps.way = way.value;
      redraw();
      if (scene) scene.relight();
    });
    lamps.way = way.value;
    lamps.at = slider.value / slider.max;
    drawLight();
  }

  // --- the panel in 3-D --------------------------------------------------------------------------

  let scene = null;
  const GREYS = [[0, "#2b2b2b"], [1, "#ffffff"]];

  function bands(channel) {
    const scale = [];
    const reach = channel.high_mm - channel.low_mm;
    channel.colours.forEach((colour, n) => {
      const from = n === 0 ? channel.low_mm : channel.limits[n - 1];
      const to = n === channel.colours.length - 1 ? channel.high_mm : channel.limits[n];
      scale.push([(from - channel.low_mm) / reach, colour], [(to - channel.low_mm) / reach, colour]);
    });
    return scale;
  }

  function buildScene(packed) {
    const place = array(packed.points), normal = array(packed.normals);
    const region = array(packed.region), cell = array(packed.cell);
    const count = region.length;
    const values = {};
    for (const channel of packed.channels) values[channel.id] = array(channel.values);
    const raised = packed.channels[0].id;
    const home = { eye: { x: 0, y: -0.25, z: 1 }, up: { x: 0, y: 1, z: 0 }, center: { x: 0, y: 0, z: 0 } };
    const box = byId("scene");
    let factor = 1, colour = raised;
    // The fair surface's light is shown beside the measured one's, on a twin of the panel.
    const TWIN = 2, CROWDED = 12;
    // Outlines are dark, but among lamps, dark and bright, they need a colour seen on both.
    const OUTLINE = "#1a1a1a", AMONG_LAMPS = "#d9631e";
    let apart = [0, 0, 0];

    function coordinates(shift) {
      const out = [new Float32Array(count), new Float32Array(count), new Float32Array(count)];
      for (let n = 0; n < count; n++) {
        const value = values[raised][n];
        const lift = value === value ? (factor - 1) * value / 32767 : 0;
        for (let k = 0; k < 3; k++) out[k][n] = packed.step_mm * place[3 * n + k] + lift * normal[3 * n + k] + shift[k];
      }
      return out;
    }

    function isLight() { return colour.startsWith("light-"); }

    function intensity() {
      if (!isLight()) {
        const raw = values[colour];
        return Array.from(raw, (value) => (value === value ? value : 0));
      }
      return lightOn(colour === "light-fair" ? "fair" : "measured");
    }

    function lightOn(surface) {
      const way = chosenWay(), field = way[surface], at = lampsAt();
      return Array.from(cell, (index) => {
        const found = field.place[index];
        return found === NOTHING ? 0
          : brightness(found * way.step, field.share[index] / 255, way, at, 0.8 * way.radius);
      });
    }

    function colouring() {
      if (isLight()) {
        return { cmin: 0, cmax: 1, colorscale: GREYS };
      }
      const channel = packed.channels.find((one) => one.id === colour);
      return { cmin: channel.low_mm, cmax: channel.high_mm, colorscale: bands(channel) };
    }

    function triangles(packedFaces) {
      const all = array(packedFaces), third = all.length / 3;
      const corner = [new Int32Array(third), new Int32Array(third), new Int32Array(third)];
      for (let n = 0; n < third; n++) for (let k = 0; k < 3; k++) corner[k][n] = all[3 * n + k];
      return { i: corner[0], j: corner[1], k: corner[2] };
    }

    const here = [0, 0, 0];
    const [x, y, z] = coordinates(here);
    const lighting = { ambient: 0.72, diffuse: 0.45, specular: 0.06, roughness: 0.8, fresnel: 0 };
    const lightposition = { x: 3000, y: 20000, z: 30000 };
    const common = { type: "mesh3d", x, y, z, hoverinfo: "none", lighting, lightposition, showscale: false };
    const judged = triangles(packed.judged);
    const traces = [
      Object.assign({}, common, judged, { intensity: intensity() }, colouring()),
      Object.assign({}, common, triangles(packed.unjudged), { color: packed.unjudged_colour }),
      Object.assign({}, common, judged, {
        visible: false, intensity: new Array(count).fill(0), cmin: 0, cmax: 1, colorscale: GREYS,
      }),
    ];
    const outlines = [];
    for (const line of packed.lines) {
      if (line.colour === OUTLINE) outlines.push(traces.length);
      const run = array(line.points), parts = [[], [], []];
      for (let n = 0; n < run.length; n++) parts[n % 3].push(run[n] === run[n] ? run[n] : null);
      traces.push({
        type: "scatter3d", mode: "lines", x: parts[0], y: parts[1], z: parts[2], hoverinfo: "skip",
        line: { color: line.colour, width: line.width, dash: line.dash }, showlegend: false,
      });
    }
    const marks = packed.marks;
    const names = traces.length;
    traces.push({
      type: "scatter3d", mode: "markers", hoverinfo: "none", showlegend: false,
      x: marks.map((m) => m.x), y: marks.map((m) => m.y), z: marks.map((m) => m.z),
      marker: {
        size: marks.map(() => 7), color: OUTLINE, symbol: marks.map(symbolOf),
        line: { color: "#fff", width: 2 },
      },
    });
    // Plates of their own ground: bare letters drown in dark lows and dark lamps.
    const plates = marks.map((mark) => ({
      x: mark.x, y: mark.y, z: mark.z, text: mark.name, captureevents: true,
      font: { size: marks.length > CROWDED ? 11 : box.clientWidth < 500 ? 12 : 14, color: "#111", weight: "bold" },
      bgcolor: "#fff", bordercolor: "#111", borderwidth: 1, borderpad: 2,
      showarrow: true, arrowhead: 0, arrowwidth: 1, arrowcolor: "#111", ax: 0, ay: -24,
    }));

    function symbolOf(mark) {
      return mark.kind === "high" ? "circle" : mark.kind === "low" ? "square" : "diamond";
    }

    const spans = [x, y, z].map((axis) => {
      let low = Infinity, high = -Infinity;
      for (const value of axis) { if (value < low) low = value; if (value > high) high = value; }
      return [low, high];
    });
    let reach = spans, widest = 0, gap = 0;
    const axis = { visible: false, showspikes: false };
    // An equal box round the panel, so that lifting the marks does not move the picture.
    const ranged = (k) => {
      const middle = (reach[k][0] + reach[k][1]) / 2;
      return [middle - widest / 2, middle + widest / 2];
    };

    function spread(both) {
      // Side by side in a wide window, one below the other in an upright one.
      const across = box.clientWidth > 1.3 * box.clientHeight ? 0 : 1;
      gap = 1.06 * (spans[across][1] - spans[across][0]);
      apart = here.map((_, k) => (both && k === across ? (across ? -gap : gap) : 0));
      reach = spans.map(([low, high], k) => [low + Math.min(apart[k], 0), high + Math.max(apart[k], 0)]);
      widest = Math.max(...reach.map(([low, high]) => high - low));
    }

    spread(false);
    const layout = {
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "rgba(0,0,0,0)", hovermode: "closest",
      scene: {
        xaxis: Object.assign({ range: ranged(0) }, axis), yaxis: Object.assign({ range: ranged(1) }, axis),
        zaxis: Object.assign({ range: ranged(2) }, axis), aspectmode: "cube",
        dragmode: "orbit", camera: fitted(home), bgcolor: "rgba(0,0,0,0)", annotations: plates,
      },
    };

    function fitted(camera) {
      // A narrow window shows a wide panel from farther off.
      const shape = box.clientWidth / Math.max(box.clientHeight, 1);
      const tall = (reach[1][1] - reach[1][0]) / widest, wide = (reach[0][1] - reach[0][0]) / widest;
      // Seen from a side, what is near looks larger.
      const slant = 1 + 0.35 * Math.hypot(camera.eye.x, camera.eye.y + 0.25);
      const need = 1.36 * slant * Math.max(tall, wide / shape, 0.5);
      const scale = need / Math.hypot(camera.eye.x, camera.eye.y, camera.eye.z);
      return {
        eye: { x: camera.eye.x * scale, y: camera.eye.y * scale, z: camera.eye.z * scale },
        up: camera.up, center: camera.center,
      };
    }

    Plotly.newPlot(box, traces, layout, { displayModeBar: false, responsive: true, scrollZoom: true });

    function say(vertex) {
      const parts = packed.channels.map((channel) => {
        const value = values[channel.id][vertex];
        if (value !== value) return "";
        return channel.label + " " + (channel.signed ? signed(value, 2) : value.toFixed(1)) + " " + channel.unit;
      }).filter(Boolean);
      const name = region[vertex] ? data.marks[region[vertex] - 1].name : "";
      byId("readout").textContent = (name ? name + ": " : "") + (parts.join(", ") || "not judged here");
      return name;
    }

    function vertexOf(event) {
      const point = event.points[0];
      if (point.curveNumber === names) return { mark: marks[point.pointNumber].name };
      return { vertex: point.pointNumber };
    }
    box.on("plotly_hover", (event) => {
      const { vertex, mark } = vertexOf(event);
      if (vertex < count) say(vertex); else if (mark) byId("readout").textContent = mark;
    });
    box.on("plotly_click", (event) => {
      const { vertex, mark } = vertexOf(event);
      const name = mark || (vertex < count ? say(vertex) : "");
      if (name) choose(name, false);
    });
    box.on("plotly_clickannotation", (event) => choose(event.annotation.text, false));

    // Every call of plotly's draws all anew, so whatever changes together is told in one: `changes`
    // holds what changes by the trace's number, and what is not named of a trace stays.
    function redrawn(changes, anew) {
      const changed = Object.keys(changes).map(Number), told = {};
      changed.forEach((trace, n) => {
        for (const [name, value] of Object.entries(changes[trace])) {
          told[name] = told[name] || new Array(changed.length).fill(undefined);
          told[name][n] = value;
        }
      });
      Plotly.update(box, told, anew || {}, changed);
    }

    function lit() {
      const changes = { 0: { intensity: intensity() } };
      if (colour === "light-both") changes[TWIN] = { intensity: lightOn("fair") };
      return changes;
    }

    let relit = false;

    return {
      relight() {
        if (!isLight() || relit) return;
        relit = true;
        requestAnimationFrame(() => { relit = false; if (isLight()) redrawn(lit()); });
      },
      colourBy(id) {
        colour = id;
        const both = colour === "light-both", changes = lit(), drawnIn = isLight() ? AMONG_LAMPS : OUTLINE;
        Object.assign(changes[0], colouring());
        for (const outline of outlines) changes[outline] = { "line.color": drawnIn };
        changes[names] = { "marker.color": drawnIn };
        let anew = {};
        if (both !== Boolean(box.data[TWIN].visible)) {
          spread(both);
          const [x, y, z] = coordinates(apart);
          changes[TWIN] = Object.assign({ visible: both, x, y, z }, changes[TWIN]);
          anew = {
            "scene.xaxis.range": ranged(0), "scene.yaxis.range": ranged(1), "scene.zaxis.range": ranged(2),
            "scene.camera": fitted(home),
          };
        }
        redrawn(changes, anew);
        for (const legend of document.querySelectorAll("[data-legend]")) {
          legend.hidden = legend.dataset.legend !== id;
        }
      },
      raise(by) {
        factor = by;
        const [a, b, c] = coordinates(here);
        const [d, e, f] = coordinates(apart);
        redrawn({ 0: { x: a, y: b, z: c }, 1: { x: a, y: b, z: c }, [TWIN]: { x: d, y: e, z: f } });
      },
      look(eye, up) {
        Plotly.relayout(box, { "scene.camera": fitted({ eye, up, center: home.center }) });
      },
      home() { this.look(home.eye, home.up); },
      goTo(name) {
        const n = marks.findIndex((mark) => mark.name === name);
        if (n < 0) return;
        const mark = marks[n], centre = {}, eye = {};
        ["x", "y", "z"].forEach((key, k) => {
          const [low, high] = ranged(k);
          centre[key] = (mark[key] - (low + high) / 2) / (high - low) * 1.0;
          eye[key] = centre[key] + 0.6 * mark.normal[k] + (k === 1 ? -0.15 : 0);
        });
        const size = marks.map((m) => (m.name === name ? 13 : 7));
        redrawn({ [names]: { "marker.size": size } }, { "scene.camera": { eye, center: centre, up: home.up } });
      },
    };
  }

  function describe(name) {
    const mark = data.marks.find((one) => one.name === name);
    if (mark) byId("chosen").textContent = mark.words;
  }

  function choose(name, turn) {
    describe(name);
    for (const row of document.querySelectorAll("tr[data-mark]")) {
      const here = row.dataset.mark === name;
      row.classList.toggle("chosen", here);
      row.querySelector("button.mark").setAttribute("aria-pressed", String(here));
    }
    if (turn && scene) {
      scene.goTo(name);
      byId("scene").scrollIntoView({ block: "center", behavior: "auto" });
    }
  }

  for (const button of document.querySelectorAll("button[data-goto]")) {
    button.addEventListener("click", () => choose(button.dataset.goto, true));
  }

  if (data.scene) {
    try {
      scene = buildScene(data.scene);
    } catch (problem) {
      byId("scene").textContent = "This browser cannot show the panel in 3-D (it needs WebGL). "
        + "The map, the table and the light below say the same.";
    }
  }
  if (scene) {
    byId("colour-by").addEventListener("change", (event) => scene.colourBy(event.target.value));
    byId("raise").addEventListener("change", (event) => scene.raise(Number(event.target.value)));
    const views = {
      front: () => scene.home(),
      left: () => scene.look({ x: -1.3, y: -0.1, z: 0.9 }, { x: 0, y: 1, z: 0 }),
      right: () => scene.look({ x: 1.3, y: -0.1, z: 0.9 }, { x: 0, y: 1, z: 0 }),
      below: () => scene.look({ x: 0, y: -1.5, z: 0.55 }, { x: 0, y: 1, z: 0 }),
    };
    for (const button of document.querySelectorAll("button[data-view]")) {
      button.addEventListener("click", views[button.dataset.view]);
    }
  }
  document.documentElement.dataset.ready = "yes";
}());
