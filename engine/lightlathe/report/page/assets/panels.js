// What the panels of slices show: of one result, or of two and their difference.
const ERRORS = [
  ["none", "not judged"], ["liquid", "liquid, right"], ["solid", "solid, right"], ["under", "under-cure: stays liquid"],
  ["over", "over-cure: turns solid"], ["both", "both in one shown voxel"],
];
const DOSES = "Cividis";

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
      return value === null || other === undefined || other === null ? null : join(value, other);
    });
  });
  return { ...one, z };
}

function heat(slice, colorscale, low, high, unit) {
  return {
    type: "heatmap", ...slice, colorscale, zmin: low, zmax: high, showscale: false, zsmooth: false,
    hovertemplate: `%{x:.3f}, %{y:.3f} mm: %{z:.3g} ${unit}<extra></extra>`,
  };
}

function errorHeat(slice) {
  const colorscale = steps(ERRORS.map(([role]) => role));
  const text = slice.z.map((row) => row.map((code) => ERRORS[code]?.[1]));
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
