// The colours of slices, in words.
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

function differenceLegend(panels) {
  const { difference: [one, two], limit } = panels.find((panel) => panel.difference);
  const css = `linear-gradient(90deg, ${colour("under")}, ${colour("solid-light")}, ${colour("over")})`;
  return [
    rampItem(`${two} − ${one}:`, `−${limit.toFixed(1)}`, `${limit.toFixed(1)} mJ/cm³ or more`, css),
    swatch("under", `only ${one} solid`), swatch("over", `only ${two} solid`), "lines: gel dose in doses, else the part",
  ];
}
