// Images of the projector by scan angle, and sinograms by row.
class Frames {
  constructor(view, data) {
    this.view = view;
    this.data = data;
  }

  async start() {
    this.images = await unpacked(this.data.images.levels);
    this.sinograms = await unpacked(this.data.sinograms.levels);
    const [angle, row] = this.view.querySelectorAll("input");
    for (const input of [angle, row]) input.addEventListener("input", () => this.draw(angle, row));
    keepDrawn(() => this.draw(angle, row));
  }

  draw(angle, row) {
    this.drawImage(angle);
    this.drawSinogram(row);
  }

  drawImage(input) {
    const { images, first, angle_deg: angles } = this.data, [, columns, rows] = this.images.shape;
    const shown = Number(input.value), number = shown * images.step;
    this.say(input, `${angles[number].toFixed(2)}° (image ${number + 1} of ${angles.length})`);
    const z = [];
    for (let r = 0; r < rows; r++) {
      z.push(Array.from({ length: columns }, (_, c) => this.percent(this.images.values[(shown * columns + c) * rows + r])));
    }
    this.picture(".picture", {
      z, x0: first[0], dx: images.across, y0: first[1], dy: images.across,
    }, axis("column"), axis("row", { scaleanchor: "x", constrain: "domain" }), "column %{x}, row %{y}");
  }

  drawSinogram(input) {
    const { sinograms, first, angle_deg: angles } = this.data, [turn, columns, rows] = this.sinograms.shape;
    const shown = Number(input.value);
    this.say(input, `${first[1] + shown * sinograms.step}`);
    const z = Array.from({ length: turn }, (_, a) => Array.from({ length: columns }, (_, c) => (
      this.percent(this.sinograms.values[(a * columns + c) * rows + shown]))));
    const y = Array.from({ length: turn }, (_, a) => angles[a * sinograms.turn]);
    this.picture(".sinogram", { z, x0: first[0], dx: sinograms.across, y }, axis("column"), axis("scan angle / °"),
      "column %{x}, %{y:.2f}°");
  }

  percent(byte) {
    return byte * 100 / Math.min(this.data.full_scale, 255);
  }

  picture(where, slice, x, y, place) {
    const bar = { title: { text: "level / %", side: "right" }, thickness: 12, tickfont: { color: colour("muted") } };
    const drawn = this.view.querySelector(where);
    Plotly.react(drawn, [{
      type: "heatmap", ...slice, colorscale: [[0, "#000000"], [1, "#ffffff"]], zmin: 0, zmax: 100, zsmooth: false, colorbar: bar,
      hovertemplate: `${place}: %{z:.1f} %<extra></extra>`,
    }], layout({
      ...sized(drawn),
      xaxis: { ...x, fixedrange: true, constrain: "domain", showgrid: false },
      yaxis: { ...y, fixedrange: true, showgrid: false },
    }), CONFIG);
  }

  say(input, words) {
    input.parentElement.querySelector("output").textContent = words;
    input.setAttribute("aria-valuetext", words);
  }
}

async function startFrames() {
  for (const view of document.querySelectorAll("[data-frames]")) await new Frames(view, DATA[view.dataset.frames]).start();
}
