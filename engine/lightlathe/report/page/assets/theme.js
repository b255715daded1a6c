// Colours of the style sheet for Plotly, and drawing everything anew when they change.
const CONFIG = { displaylogo: false, displayModeBar: false, responsive: true };
const drawings = [];

function colour(role) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${role}`).trim() || role;
}

function axis(title, more = {}) {
  return {
    title: { text: title, standoff: 8 }, color: colour("muted"), gridcolor: colour("line"), linecolor: colour("line"),
    zeroline: false, automargin: true, ...more,
  };
}

function layout(more = {}) {
  return {
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: "system-ui, 'DejaVu Sans', sans-serif", size: 12.5, color: colour("ink") },
    margin: { l: 56, r: 14, t: 14, b: 46 }, dragmode: false, hovermode: "closest",
    hoverlabel: { bgcolor: colour("raised"), bordercolor: colour("line"), font: { color: colour("ink") } },
    ...more,
  };
}

// Draws now, and again whenever the colours change.
function keepDrawn(draw) {
  drawings.push(draw);
  return draw();
}

function redraw() {
  for (const draw of drawings) draw();
}

window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);

// On paper: light colours, and pictures as wide as the sheet; drawn before the browser takes the page.
const paper = document.documentElement.dataset;
let opened = [];
window.addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details.printed:not([open])")];
  for (const part of opened) part.open = true;
  paper.theme = "light";
  redraw();
});
window.addEventListener("afterprint", () => {
  for (const part of opened) part.open = false;
  delete paper.theme;
  redraw();
});

// Draws again when a place gets another width; `draw` may change its height.
function drawnAtWidth(place, draw) {
  let width = place.clientWidth;
  new ResizeObserver(() => {
    if (place.clientWidth === width || paper.theme) return;
    width = place.clientWidth;
    draw();
  }).observe(place);
}

// The size of a picture, for Plotly: by itself on the screen, of its place on paper.
function sized(place) {
  return paper.theme ? { autosize: false, width: place.clientWidth, height: place.clientHeight } : { autosize: true };
}
