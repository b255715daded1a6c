// The turnable view of part and print, with a cutting plane.
const RADIUS = 2.05; // of the camera, for a cube, in the scene's own unit
const NARROW = 600; // pixels: there the colour bar lies below, and the camera stands back
const PRINTED = { width: 680, height: 420 }; // pixels of the picture for paper: the width of A4 less its margins
const IDLE_MS = 1000; // after the last change, before that picture is drawn

async function solidOf(packed, half) {
  const places = await unpacked(packed.vertices), corners = await unpackedIndices(packed.triangles);
  const n = places.shape[1];
  const coordinate = (k) => Float32Array.from(places.values.subarray(k * n, (k + 1) * n), (v) => (v / 32767) * half[k]);
  const solid = {
    xyz: [0, 1, 2].map(coordinate), ijk: [0, 1, 2].map((k) => corners.filter((_, at) => at % 3 === k)),
  };
  if (packed.distance) solid.distance = (await unpacked(packed.distance)).values;
  return solid;
}

// The triangles with all their corners on the near side of a plane.
function cut(solid, axisNumber, mm) {
  const along = solid.xyz[axisNumber], [i, j, k] = solid.ijk;
  const kept = [[], [], []];
  for (let n = 0; n < i.length; n++) {
    if (along[i[n]] <= mm && along[j[n]] <= mm && along[k[n]] <= mm) {
      kept[0].push(i[n]);
      kept[1].push(j[n]);
      kept[2].push(k[n]);
    }
  }
  return kept;
}

class Solid {
  constructor(view, data) {
    this.view = view;
    this.data = data;
    this.scene = view.querySelector(".scene");
  }

  async start() {
    this.solids = {};
    for (const name of ["part", "print", "insert"].filter((name) => this.data[name])) {
      this.solids[name] = await solidOf(this.data[name], this.data.half_mm);
    }
    const name = this.view.dataset.solid;
    this.inputs = Object.fromEntries(["cut", "turn", "tilt"].map((key) => [key, this.view.querySelector(`#${name}-${key}`)]));
    for (const input of this.view.querySelectorAll("input")) {
      const turns = input === this.inputs.turn || input === this.inputs.tilt;
      input.addEventListener("input", () => (turns ? this.turn() : this.draw()));
    }
    await keepDrawn(() => this.drawNow());
    this.scene.on("plotly_relayout", (change) => this.turned(change["scene.camera"]));
    await this.pictureForPaper();
  }

  chosen(group) {
    return this.view.querySelector(`input[name$="-${group}"]:checked`).value;
  }

  // Draws at the next frame, however often it is asked for until then.
  draw() {
    this.drawn ||= new Promise((done) => requestAnimationFrame(() => {
      this.drawn = null;
      done(this.drawNow());
    }));
    return this.drawn;
  }

  drawNow() {
    if (paper.theme) return null;
    this.drawForPaper();
    return Plotly.react(this.scene, this.traces(), this.layout(), CONFIG);
  }

  traces(printed = false) {
    const number = NUMBER[this.chosen("axis")], half = this.data.half_mm;
    const [low, high] = this.extent(number);
    const mm = low + (high - low) * Number(this.inputs.cut.value) / 100;
    const whole = Number(this.inputs.cut.value) === 100;
    this.say("cut", whole ? "not cut" : `${this.chosen("axis")} = ${mm.toFixed(2)} mm`);
    const plane = whole ? Infinity : mm;
    const traces = [this.mesh(this.chosen("show"), number, plane, printed)];
    if (this.solids.insert && this.view.querySelector("input[type=checkbox]").checked) {
      traces.push(this.mesh("insert", number, plane, printed));
    }
    return traces;
  }

  layout() {
    const half = this.data.half_mm;
    const box = (k, name) => ({
      ...axis(`${name} / mm`), range: [-half[k], half[k]], nticks: 6, backgroundcolor: "rgba(0,0,0,0)",
    });
    return layout({
      margin: { l: 0, r: 0, t: 0, b: 0 }, dragmode: "orbit", uirevision: "kept",
      scene: {
        xaxis: box(0, "x"), yaxis: box(1, "y"), zaxis: box(2, "z"), camera: this.camera(), dragmode: "orbit",
        aspectmode: "manual", aspectratio: this.sides(), // "data" would go by the solids, not by the axes' ranges
      },
    });
  }

  // Half the box's sides in the scene's own unit, the cube root of an eighth of its volume.
  sides() {
    const half = this.data.half_mm, unit = Math.cbrt(half[0] * half[1] * half[2]);
    return { x: half[0] / unit, y: half[1] / unit, z: half[2] / unit };
  }

  // From where to where part and print reach along an axis.
  extent(number) {
    const all = ["part", "print"].filter((name) => this.solids[name]).map((name) => this.solids[name].xyz[number]);
    const least = (values) => values.reduce((a, b) => Math.min(a, b)), most = (values) => values.reduce((a, b) => Math.max(a, b));
    return [Math.min(...all.map(least)), Math.max(...all.map(most))];
  }

  // WebGL draws too late for the sheet that a browser prints, so a picture in the colours of paper is kept ready.
  drawForPaper() {
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => (paper.theme ? this.drawForPaper() : this.pictureForPaper()), IDLE_MS);
  }

  async pictureForPaper() {
    const { scene } = this.scene.layout;
    paper.theme = "light"; // until the colours are read: nothing is painted meanwhile
    const drawn = { data: this.traces(true), layout: this.layout(), config: CONFIG };
    delete paper.theme;
    drawn.layout.scene.camera = scene.camera;
    this.view.querySelector(".on-paper").src = await Plotly.toImage(drawn, { format: "png", scale: 2, ...PRINTED });
    this.view.classList.add("pictured");
  }

  mesh(name, number, plane, printed) {
    const solid = this.solids[name], [i, j, k] = cut(solid, number, plane), scale = this.data.scale_mm;
    const base = {
      type: "mesh3d", name, x: solid.xyz[0], y: solid.xyz[1], z: solid.xyz[2], i, j, k, flatshading: false,
      lighting: { ambient: 0.55, diffuse: 0.7, specular: 0.12, roughness: 0.7 }, lightposition: { x: 2e3, y: -4e3, z: 6e3 },
    };
    if (!solid.distance) {
      return { ...base, color: colour(name === "insert" ? "insert" : "solid"), opacity: 1, hoverinfo: "name" };
    }
    return {
      ...base, intensity: Array.from(solid.distance, (step) => (step / 127) * scale), cmin: -scale, cmax: scale,
      colorscale: [[0, colour("under")], [0.5, colour("solid-light")], [1, colour("over")]],
      colorbar: { ...this.barPlace(printed), thickness: 14, tickfont: { color: colour("muted") } },
      hovertemplate: "%{x:.2f}, %{y:.2f}, %{z:.2f} mm<br>%{intensity:.3f} mm off<extra></extra>",
    };
  }

  barPlace(printed) {
    const below = !printed && this.narrow();
    const title = { text: "off the part's surface / mm", side: below ? "top" : "right" };
    return below ? { title, orientation: "h", len: 0.9, y: 0, yanchor: "top" }
      : { title, len: 0.8, x: 1, xanchor: "right" };
  }

  narrow() {
    return this.scene.clientWidth < NARROW;
  }

  camera() {
    const turn = Number(this.inputs.turn.value) * Math.PI / 180, tilt = Number(this.inputs.tilt.value) * Math.PI / 180;
    this.say("turn", `${this.inputs.turn.value}°`);
    this.say("tilt", `${this.inputs.tilt.value}°`);
    const { x, y, z } = this.sides(), spread = Math.max(Math.hypot(x, y, z) / Math.sqrt(3), 0.87 * z);
    const away = RADIUS * spread * (this.narrow() ? 1.1 : 1);
    const flat = away * Math.cos(tilt);
    return {
      eye: { x: flat * Math.sin(turn), y: -flat * Math.cos(turn), z: away * Math.sin(tilt) }, up: { x: 0, y: 0, z: 1 },
      center: { x: 0, y: 0, z: -0.1 },
    };
  }

  turn() {
    return Plotly.relayout(this.scene, { "scene.camera": this.camera() });
  }

  // The sliders follow a camera that was dragged.
  turned(camera) {
    this.drawForPaper();
    if (!camera?.eye) return;
    const { x, y, z } = camera.eye;
    this.inputs.turn.value = Math.round(Math.atan2(x, -y) * 180 / Math.PI);
    this.inputs.tilt.value = Math.round(Math.asin(z / Math.hypot(x, y, z)) * 180 / Math.PI);
    this.say("turn", `${this.inputs.turn.value}°`);
    this.say("tilt", `${this.inputs.tilt.value}°`);
  }

  say(key, words) {
    this.inputs[key].parentElement.querySelector("output").textContent = words;
    this.inputs[key].setAttribute("aria-valuetext", words);
  }
}

async function startSolids() {
  for (const view of document.querySelectorAll("[data-solid]")) {
    if (view.querySelector(".scene")) await new Solid(view, DATA[view.dataset.solid]).start();
  }
}
