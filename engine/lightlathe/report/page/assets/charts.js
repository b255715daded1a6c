// Line charts, from what chart.py says of them.
function traceOf(line, chart) {
  return {
    type: "scatter", mode: line.points ? "markers" : "lines", name: line.name, x: line.x, y: line.y, connectgaps: false,
    line: { color: colour(line.role), dash: line.dash, width: 2 }, marker: { color: colour(line.role), size: 8 },
    hovertemplate: `${chart.x}: %{x:.5g}<br>${chart.y}: %{y:.5g}<extra>%{fullData.name}</extra>`,
  };
}

function straight(mark, upright) {
  const ends = upright ? { x0: mark.at, x1: mark.at, yref: "paper", y0: 0, y1: 1 }
    : { y0: mark.at, y1: mark.at, xref: "paper", x0: 0, x1: 1 };
  return {
    type: "line", ...ends, name: mark.name, showlegend: true,
    line: { color: colour(mark.role), dash: mark.dash, width: 1.6 },
  };
}

function shaded(band) {
  return {
    type: "rect", x0: band.low, x1: band.high, yref: "paper", y0: 0, y1: 1, layer: "below", name: band.name,
    showlegend: true, line: { width: 0 }, fillcolor: colour(band.role), opacity: 0.18,
  };
}

function drawChart(place, chart) {
  const shapes = [
    ...chart.bands.map(shaded), ...chart.marks.map((mark) => straight(mark, true)),
    ...chart.levels.map((mark) => straight(mark, false)),
  ];
  const named = chart.lines.length + shapes.length > 1;
  const y = axis(chart.y, chart.y_log ? { type: "log", dtick: 1 } : chart.y_range ? { range: chart.y_range } : {});
  return Plotly.react(place, chart.lines.map((line) => traceOf(line, chart)), layout({
    ...sized(place),
    xaxis: axis(chart.x, { fixedrange: true, ...(chart.x_range ? { range: chart.x_range } : {}) }),
    yaxis: { ...y, fixedrange: true }, shapes, showlegend: named,
    legend: { orientation: "h", x: 0, xanchor: "left", y: 1.02, yanchor: "bottom", font: { size: 12 } },
  }), CONFIG);
}

function startCharts() {
  for (const place of document.querySelectorAll("[data-chart]")) {
    keepDrawn(() => drawChart(place, DATA[place.dataset.chart]));
  }
}
