// Slices of volumes across x, y and z, at positions that sliders set.
const ACROSS = { z: ["x", "y"], y: ["x", "z"], x: ["y", "z"] };
const NUMBER = { x: 0, y: 1, z: 2 };
const ERRORS = [
  ["none", "not judged"], ["liquid", "liquid, right"], ["solid", "solid, right"], ["under", "under-cure: stays liquid"],
  ["over", "over-cure: turns solid"], ["both", "both in one shown voxel"],
];
const DOSES = "Cividis";

// One kind of volume of one cut (grid) of a result.
class Volume {
  constructor(cut, array) {
    this.cut = cut;
    this.values = array.values;
  }

  // The slice across an axis at a place in mm: rows of values, and where they lie. `as` turns a byte into what is shown.
  slice(axisName, mm, as) {
    const [, ny, nz] = this.cut.shape;
    const strides = [ny * nz, nz, 1];
    const [across, up] = ACROSS[axisName].map((name) => NUMBER[name]);
    const start = this.index(axisName, mm) * strides[NUMBER[axisName]];
    const rows = [];
    for (let row = 0; row < this.cut.shape[up]; row++) {
      const line = new Array(this.cut.shape[across]);
      const begin = start + row * strides[up];
      for (let n = 0; n < line.length; n++) line[n] = as(this.values[begin + n * strides[across]]);
      rows.push(line);
    }
    const { first_mm: first, each_mm: each } = this.cut;
    return { z: rows, x0: first[across], dx: each, y0: first[up], dy: each };
  }

  index(axisName, mm) {
    const n = NUMBER[axisName];
    const nearest = Math.round((mm - this.cut.first_mm[n]) / this.cut.each_mm);
    return Math.min(Math.max(nearest, 0), this.cut.shape[n] - 1);
  }
}

async function volumesOf(set) {
  const found = {};
  for (const grid of ["own", "finer"].filter((name) => set[name])) {
    found[grid] = {};
    for (const name of ["wanted", "dose", "cured", "error", "insert"].filter((name) => set[grid][name])) {
      found[grid][name] = new Volume(set[grid], await unpacked(set[grid][name]));
    }
  }
  return found;
}

function errorCode(bits) {
  if ((bits & 3) === 3) return 5;
  if (bits & 1) return 3;
  if (bits & 2) return 4;
  return bits & 4 ? 2 : bits & 8 ? 1 : 0;
}

// Colours of discrete codes for Plotly: each its own step.
function steps(roles) {
  return roles.flatMap((role, n) => [[n / roles.length, colour(role)], [(n + 1) / roles.length, colour(role)]]);
}

const shown = (value) => value / 2.55;
const ramp = (low, high) => [[0, colour(low)], [1, colour(high)]];

// The panels of one result: title and Plotly traces of a slice.
function panelsOfOne(set, volumes, data, grid) {
  const dose = (value) => value * set.dose_max / 255;
  return [
    { title: "wanted", traces: (...at) => [heat(volumes.own.wanted.slice(...at, shown), ramp("none", "ink"), 0, 100, "%")] },
    {
      title: "dose", traces: (...at) => [
        heat(volumes.own.dose.slice(...at, dose), DOSES, 0, data.dose_top, "mJ/cm³"),
        contour(volumes.own.wanted.slice(...at, shown), 50, "#000000", "dot"),
        contour(volumes.own.dose.slice(...at, dose), data.doses["gel dose"], "#ffffff", "solid"),
      ],
    },
    {
      title: "cured", traces: (...at) => [
        heat(volumes[grid].cured.slice(...at, shown), ramp("none", "part"), 0, 100, "% of the voxel"),
        contour(volumes.own.wanted.slice(...at, shown), 50, colour("ink"), "dot"),
      ],
    },
    { title: "error", traces: (...at) => [errorHeat(volumes[grid].error.slice(...at, errorCode))] },
  ];
}

// The panels of two results beside each other and of their differences, on the grid of the first.
function panelsOfTwo(data, volumes, a, b) {
  const [one, two] = [data.sets[a], data.sets[b]], grid = data.grid;
  const dose = (set) => (value) => value * set.dose_max / 255;
  const doseOf = (n, set) => (...at) => volumes[n].own.dose.slice(...at, dose(set));
  const cured = (n) => (...at) => volumes[n][grid].cured.slice(...at, shown);
  const gel = data.doses["gel dose"], most = data.dose_top;
  const apart = (...at) => combined(doseOf(a, one)(...at), doseOf(b, two)(...at), (x, y) => y - x);
  const differs = (...at) => combined(cured(a)(...at), cured(b)(...at), (x, y) => y - x);
  const scale = [[0, colour("under")], [0.5, colour("solid-light")], [1, colour("over")]];
  const panelOfDose = (n, set) => ({
    title: `dose, ${set.name}`, traces: (...at) => [
      heat(doseOf(n, set)(...at), DOSES, 0, most, "mJ/cm³"), contour(doseOf(n, set)(...at), gel, "#ffffff", "solid"),
    ],
  });
  return [
    panelOfDose(a, one), panelOfDose(b, two),
    {
      title: "dose, second − first", difference: [one.name, two.name], limit: most / 4,
      traces: (...at) => [heat(apart(...at), scale, -most / 4, most / 4, "mJ/cm³")],
    },
    {
      title: "cured, second − first",
      traces: (...at) => [
        heat(differs(...at), scale, -100, 100, "% of the voxel"),
        contour(volumes[a].own.wanted.slice(...at, shown), 50, colour("none"), "solid"),
      ],
    },
  ];
}

// One slice on the cells of another: `join` of both values, null where the second does not reach.
function combined(one, two, join) {
  const z = one.z.map((row, j) => {
    const up = Math.round((one.y0 + j * one.dy - two.y0) / two.dy);
    return row.map((value, i) => {
      const other = two.z[up]?.[Math.round((one.x0 + i * one.dx - two.x0) / two.dx)];
      return other === undefined ? null : join(value, other);
    });
  });
  return { ...one, z };
}

function differenceLegend(panels) {
  const { difference: [one, two], limit } = panels.find((panel) => panel.difference);
  const css = `linear-gradient(90deg, ${colour("under")}, ${colour("solid-light")}, ${colour("over")})`;
  return [
    rampItem(`${two} − ${one}:`, `−${limit.toFixed(1)}`, `${limit.toFixed(1)} mJ/cm³ or more`, css),
    swatch("under", `only ${one} solid`), swatch("over", `only ${two} solid`), "lines: gel dose in doses, else the part",
  ];
}

function heat(slice, colorscale, low, high, unit) {
  return {
    type: "heatmap", ...slice, colorscale, zmin: low, zmax: high, showscale: false, zsmooth: false,
    hovertemplate: `%{x:.3f}, %{y:.3f} mm: %{z:.3g} ${unit}<extra></extra>`,
  };
}

function errorHeat(slice) {
  const colorscale = steps(ERRORS.map(([role]) => role));
  const text = slice.z.map((row) => row.map((code) => ERRORS[code][1]));
  return {
    type: "heatmap", ...slice, colorscale, zmin: -0.5, zmax: ERRORS.length - 0.5, showscale: false, zsmooth: false, text,
    hovertemplate: "%{x:.3f}, %{y:.3f} mm: %{text}<extra></extra>",
  };
}

function contour(slice, level, ink, dash) {
  return {
    type: "contour", ...slice, autocontour: false, contours: { start: level, end: level, size: 1, coloring: "none" },
    line: { color: ink, width: 1.4, dash }, showscale: false, hoverinfo: "skip", showlegend: false,
  };
}

function insertTrace(volumes, at) {
  if (!volumes.own.insert) return [];
  const slice = volumes.own.insert.slice(...at, (value) => (value >= 128 ? 1 : null));
  return [{ type: "heatmap", ...slice, colorscale: ramp("insert", "insert"), showscale: false, hoverinfo: "skip" }];
}

class Slices {
  constructor(view, data) {
    this.view = view;
    this.data = data;
    this.waiting = new Set();
    this.at = {};
  }

  async start() {
    this.volumes = await Promise.all(this.data.sets.map(volumesOf));
    this.finest = (this.data.grid !== "own" && this.data.sets[0].finer) || this.data.sets[0].own;
    for (const row of this.view.querySelectorAll(".slice-row")) this.startRow(row);
    for (const button of this.view.querySelectorAll("[data-place]")) {
      button.addEventListener("click", () => this.goTo(this.data.places[button.dataset.place].at_mm));
    }
    for (const input of this.view.querySelectorAll("select, input[type=radio]")) {
      input.addEventListener("change", () => this.draw());
    }
    this.goTo(this.data.places.length ? this.data.places[0].at_mm : [0, 0, 0]);
    drawings.push(() => this.drawNow());
  }

  startRow(row) {
    const name = row.dataset.axis;
    const slider = row.querySelector("input");
    slider.max = this.finest.shape[NUMBER[name]] - 1;
    for (let n = 0; n < this.panels().length; n++) {
      const place = document.createElement("div");
      place.setAttribute("role", "img");
      row.querySelector(".panels").append(place);
    }
    slider.addEventListener("input", () => {
      this.at[name] = this.place(name, Number(slider.value));
      this.draw();
    });
  }

  place(name, index) {
    const n = NUMBER[name];
    return this.finest.first_mm[n] + index * this.finest.each_mm;
  }

  goTo(mm) {
    for (const row of this.view.querySelectorAll(".slice-row")) {
      const name = row.dataset.axis, n = NUMBER[name];
      const index = Math.round((mm[n] - this.finest.first_mm[n]) / this.finest.each_mm - 1e-6);
      row.querySelector("input").value = index;
      this.at[name] = this.place(name, Number(row.querySelector("input").value));
    }
    this.draw();
  }

  panels() {
    const grid = this.view.querySelector("input[type=radio]:checked")?.value || this.data.grid || "own";
    const second = Number(this.view.querySelector("select")?.value || 0);
    if (second) return panelsOfTwo(this.data, this.volumes, 0, second);
    return panelsOfOne(this.data.sets[0], this.volumes[0], this.data, grid);
  }

  // All rows at the next frame, however often it is asked for until then.
  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.drawNow();
    });
  }

  drawNow() {
    const panels = this.panels();
    legend(this.view.querySelector(".legend"), this.data, this.volumes[0].own.insert !== undefined, panels);
    for (const row of this.view.querySelectorAll(".slice-row")) this.drawRow(row, panels);
  }

  drawRow(row, panels) {
    const name = row.dataset.axis, at = [name, this.at[name]];
    const said = `${this.at[name].toFixed(3)} mm`;
    row.querySelector("output").textContent = said;
    row.querySelector("input").setAttribute("aria-valuetext", said);
    const [across, up] = ACROSS[name];
    const half = this.data.half_mm;
    row.querySelectorAll(".panels > div").forEach((place, n) => {
      const wide = place.clientWidth || 280;
      const high = Math.min((wide - 52) * half[NUMBER[up]] / half[NUMBER[across]] + 62, 620);
      place.style.height = `${high}px`;
      place.setAttribute("aria-label", `${panels[n].title}, slice at ${name} = ${said}`);
      const drawn = Plotly.react(place, [...panels[n].traces(...at), ...insertTrace(this.volumes[0], at)], layout({
        title: { text: panels[n].title, font: { size: 13 }, x: 0.5, y: 0.985, yanchor: "top" }, width: wide, height: high,
        autosize: false, margin: { l: 46, r: 6, t: 24, b: 38 },
        xaxis: spaceAxis(across, half[NUMBER[across]], {}),
        yaxis: spaceAxis(up, half[NUMBER[up]], { scaleanchor: "x" }),
        shapes: [this.cross(across, true), this.cross(up, false)],
      }), { ...CONFIG, responsive: false });
      if (!place.dataset.live) drawn.then(() => this.follow(place, name));
      place.dataset.live = "yes";
    });
  }

  // A click in a slice leads the other two slices there.
  follow(place, name) {
    place.on("plotly_click", (event) => {
      const mm = [this.at.x, this.at.y, this.at.z];
      const [across, up] = ACROSS[name];
      mm[NUMBER[across]] = event.points[0].x;
      mm[NUMBER[up]] = event.points[0].y;
      this.goTo(mm);
    });
  }

  cross(name, upright) {
    const at = this.at[name];
    const ends = upright ? { x0: at, x1: at, yref: "paper", y0: 0, y1: 1 } : { y0: at, y1: at, xref: "paper", x0: 0, x1: 1 };
    return { type: "line", ...ends, line: { color: colour("cross"), width: 1, dash: "dot" } };
  }
}

function spaceAxis(name, half, more) {
  return axis(`${name} / mm`, {
    range: [-half, half], fixedrange: true, constrain: "domain", automargin: false, showgrid: false, ticks: "outside", ticklen: 3,
    title: { text: `${name} / mm`, standoff: 3, font: { size: 11.5 } }, tickfont: { size: 10.5 }, nticks: 6, ...more,
  });
}

function swatch(role, words) {
  const item = document.createElement("span"), square = document.createElement("span");
  square.className = "swatch";
  square.style.background = colour(role);
  item.append(square, words);
  return item;
}

function rampItem(words, low, high, css) {
  const item = document.createElement("span"), strip = document.createElement("span");
  strip.className = "ramp";
  strip.style.background = css;
  item.append(`${words} ${low}`, strip, high);
  return item;
}

const CIVIDIS = "linear-gradient(90deg, #00204c, #213d6b, #555b6c, #7b7a77, #a59c74, #d3c064, #ffe945)";

function legend(place, data, inserts, panels) {
  const doses = Object.entries(data.doses).map(([name, value]) => `${name} ${Number(value.toPrecision(4))}`).join(", ");
  const two = panels.some((panel) => panel.difference);
  const above = data.sets.some((set) => set.dose_max > data.dose_top) ? " or more" : "";
  const items = [rampItem("dose", "0", `${data.dose_top.toFixed(1)} mJ/cm³${above} (${doses})`, CIVIDIS)];
  if (!two) {
    const merged = Object.values(data.sets[0]).some((cut) => cut.step > 1);
    const codes = ERRORS.filter(([role]) => merged || role !== "both");
    items.push(...codes.map(([role, words]) => swatch(role, words)));
    items.push("lines: white, gel dose; dotted, the part");
  } else items.push(...differenceLegend(panels));
  if (inserts) items.push(swatch("insert", "insert"));
  place.replaceChildren(...items);
}

async function startSlices() {
  for (const view of document.querySelectorAll("[data-slices]")) await new Slices(view, DATA[view.dataset.slices]).start();
}
