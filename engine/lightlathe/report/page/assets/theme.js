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
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", autosize: true,
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
window.addEventListener("beforeprint", () => { document.documentElement.dataset.theme = "light"; redraw(); });
window.addEventListener("afterprint", () => { delete document.documentElement.dataset.theme; redraw(); });
