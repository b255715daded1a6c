// Slices of volumes across x, y and z, at positions that sliders set.
class Slices {
  constructor(view, data) {
    this.view = view;
    this.data = data;
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
    this.zoom = this.view.querySelector("input[id$=-zoom]");
    this.zoom.addEventListener("input", () => this.draw());
    this.goTo(this.data.places.length ? this.data.places[0].at_mm : [0, 0, 0]);
    drawings.push(() => this.drawNow());
    drawnAtWidth(this.view.querySelector(".panels"), () => this.draw());
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
    const said = this.zoom.value === "1" ? "all" : `${this.zoom.value} times, about the crossing lines`;
    this.zoom.parentElement.querySelector("output").textContent = said;
    this.zoom.setAttribute("aria-valuetext", said);
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
        xaxis: spaceAxis(across, this.range(across), {}),
        yaxis: spaceAxis(up, this.range(up), { scaleanchor: "x" }),
        shapes: [this.cross(across, true), this.cross(up, false)],
      }), { ...CONFIG, responsive: false });
      if (!place.dataset.live) drawn.then(() => this.follow(place, name));
      place.dataset.live = "yes";
    });
  }

  // What of an axis is shown, mm: all of it, or a share about the place where the slices cross.
  range(name) {
    const whole = this.data.half_mm[NUMBER[name]], half = whole / Number(this.zoom.value);
    const middle = Math.max(half - whole, Math.min(whole - half, this.at[name]));
    return [middle - half, middle + half];
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

function spaceAxis(name, range, more) {
  return axis(`${name} / mm`, {
    range, fixedrange: true, constrain: "domain", automargin: false, showgrid: false, ticks: "outside", ticklen: 3,
    title: { text: `${name} / mm`, standoff: 3, font: { size: 11.5 } }, tickfont: { size: 10.5 }, nticks: 6, ...more,
  });
}

async function startSlices() {
  for (const view of document.querySelectorAll("[data-slices]")) await new Slices(view, DATA[view.dataset.slices]).start();
}
