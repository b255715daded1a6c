// Volumes of a result and slices of them, in mm of the vial.
const ACROSS = { z: ["x", "y"], y: ["x", "z"], x: ["y", "z"] };
const NUMBER = { x: 0, y: 1, z: 2 };

// One kind of volume of one cut (grid) of a result.
class Volume {
  constructor(cut, array) {
    this.cut = cut;
    this.values = array.values;
  }

  // The slice across an axis at a place in mm: rows of values, and where they lie; null beyond the grid. `as` turns a
  // byte into what is shown.
  slice(axisName, mm, as) {
    const [, ny, nz] = this.cut.shape;
    const strides = [ny * nz, nz, 1];
    const [across, up] = ACROSS[axisName].map((name) => NUMBER[name]);
    const index = this.index(axisName, mm), start = index * strides[NUMBER[axisName]];
    const beyond = index < 0 || index >= this.cut.shape[NUMBER[axisName]];
    const rows = [];
    for (let row = 0; row < this.cut.shape[up]; row++) {
      const line = new Array(this.cut.shape[across]);
      const begin = start + row * strides[up];
      for (let n = 0; n < line.length; n++) line[n] = beyond ? null : as(this.values[begin + n * strides[across]]);
      rows.push(line);
    }
    const { first_mm: first, each_mm: each } = this.cut;
    return { z: rows, x0: first[across], dx: each, y0: first[up], dy: each };
  }

  index(axisName, mm) {
    const n = NUMBER[axisName];
    return Math.round((mm - this.cut.first_mm[n]) / this.cut.each_mm);
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
