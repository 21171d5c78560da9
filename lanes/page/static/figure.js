// One lane's figure: its strip of the plate, its trace with every spot, what is left over; one Rf axis.

import { plate } from "./api.js";
import { byId, renew, set, svg } from "./dom.js";
import { light, on, pick, spotNode, store } from "./store.js";

const LEFT = 46;
const RIGHT = 12;
const STRIP = 54;
const TRACE = 190;
const REST = 64;
const GAP = 12;
const AXIS = 34;
const COLOURS = 6; // of spots, as in the style sheet

const root = byId("figure");

export function startFigure() {
  on("state", draw);
  on("lane", draw);
  new ResizeObserver(draw).observe(root.parentElement);
}

function draw() {
  const lane = store.reading?.lanes[store.lane];
  const place = store.state?.layout?.lanes[store.lane];
  byId("figure-box").hidden = !lane || !place;
  if (!lane || !place) return;
  const width = Math.max(300, root.parentElement.clientWidth);
  const height = STRIP + TRACE + REST + 2 * GAP + AXIS + 6;
  const { trace } = lane;
  const span = [Math.min(-0.03, trace.rf[0]), Math.max(1.03, trace.rf.at(-1))];
  const x = (rf) => LEFT + ((rf - span[0]) / (span[1] - span[0])) * (width - LEFT - RIGHT);
  set(root, { viewBox: `0 0 ${width} ${height}`, width, height });
  root.setAttribute("aria-label", described(lane));
  root.classList.toggle("old", !store.state.fresh);
  const top = STRIP + GAP;
  const low = top + TRACE + GAP;
  renew(root,
    strip(place, x, width),
    grid(x, 2, low + REST),
    panel(trace, x, top),
    residual(trace, x, low, width),
    marks(lane, x, low + REST),
    axis(x, low + REST, width));
}

function described(lane) {
  const spots = lane.spots.map((spot, i) => `spot ${i + 1} at Rf ${spot.rf_text}`).join(", ");
  return `Lane ${lane.name} along Rf: strip of the plate, trace, residual. ${spots || lane.nothing}`;
}

// The squared picture turned so that the lane's path runs from left to right.
function strip(place, x, width) {
  const { layout } = store.state;
  const origin = [place.x, place.y0];
  const front = [place.x_front, place.y1];
  const run = Math.hypot(front[0] - origin[0], front[1] - origin[1]);
  const along = [(front[0] - origin[0]) / run, (front[1] - origin[1]) / run];
  const across = [along[1], -along[0]];
  const scale = (x(1) - x(0)) / run;
  const wide = STRIP / (1.3 * place.width);
  // Plate to strip: u = x(0) + scale (p - origin).along, v = middle + wide (p - origin).across;
  // the picture's own y runs downward from the plate's upper edge.
  const a = scale * along[0];
  const c = -scale * along[1];
  const b = wide * across[0];
  const d = -wide * across[1];
  const h = layout.height;
  const e = x(0) - scale * (origin[0] * along[0] + (origin[1] - h) * along[1]);
  const f = STRIP / 2 - wide * (origin[0] * across[0] + (origin[1] - h) * across[1]);
  const address = `${plate(store.id)}/squared.jpg?${encodeURIComponent(
    JSON.stringify(layout.corners_px) + layout.width)}`;
  return svg("g", {},
    svg("clipPath", { id: "strip-clip" },
      svg("rect", { x: LEFT, y: 0, width: width - LEFT - RIGHT, height: STRIP })),
    svg("g", { "clip-path": "url(#strip-clip)" },
      svg("image", { href: address, width: layout.width, height: h, preserveAspectRatio: "none",
        transform: `matrix(${[a, b, c, d, e, f].join(" ")})` })),
    svg("rect", { class: "frame", x: LEFT, y: 0, width: width - LEFT - RIGHT, height: STRIP }));
}

function grid(x, top, bottom) {
  return svg("g", { class: "gridlines" }, [0, 1].map((rf) =>
    svg("line", { x1: x(rf), x2: x(rf), y1: top, y2: bottom })));
}

function curve(rf, values, x, y) {
  let pen = "M";
  return values.map((value, i) => {
    if (value === null) {
      pen = "M";
      return "";
    }
    const step = `${pen}${x(rf[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
    return step;
  }).join("");
}

const extent = (rows) => {
  const known = rows.flat().filter((v) => v !== null);
  return [Math.min(0, ...known), Math.max(...known, 1e-9)];
};

function panel(trace, x, top) {
  const seen = trace.signal.map((v, i) => (trace.usable[i] ? v : null));
  const [low, high] = extent([seen, trace.model]);
  const y = (v) => top + TRACE - ((v - low) / (high - low)) * (TRACE - 14);
  const base = (i) => trace.baseline[i] ?? 0;
  const spots = trace.spots.map((row, number) => svg("path", {
    class: `peak c${number % COLOURS}`, "data-spot": `${store.lane}:${number}`,
    d: `${curve(trace.rf, row.map((v, i) => v + base(i)), x, y)}`
      + `${curve([...trace.rf].reverse(), trace.rf.map((_, i) => base(i)).reverse(), x, y)
        .replace("M", "L")}Z`,
  }));
  return svg("g", {},
    svg("line", { class: "zero", x1: LEFT, x2: x(trace.rf.at(-1)), y1: y(0), y2: y(0) }),
    spots,
    svg("path", { class: "signal", d: curve(trace.rf, seen, x, y) }),
    svg("path", { class: "model", d: curve(trace.rf, trace.model, x, y) }),
    label("signal", 13, top + TRACE / 2));
}

function residual(trace, x, top, width) {
  const seen = trace.residual.map((v, i) => (trace.usable[i] ? v : null));
  const noise = trace.noise ?? 0;
  const far = Math.max(3 * noise, ...seen.filter((v) => v !== null).map(Math.abs), 1e-12);
  const y = (v) => top + REST / 2 - (v / far) * (REST / 2 - 2);
  return svg("g", {},
    svg("rect", { class: "noise", x: LEFT, width: width - LEFT - RIGHT, y: y(2 * noise),
      height: Math.max(1, y(-2 * noise) - y(2 * noise)) },
    svg("title", {}, "two standard deviations of the layer's noise")),
    svg("line", { class: "zero", x1: LEFT, x2: width - RIGHT, y1: y(0), y2: y(0) }),
    svg("path", { class: "signal", d: curve(trace.rf, seen, x, y) }),
    label("residual", 13, top + REST / 2));
}

const label = (text, u, v) =>
  svg("text", { class: "axis-name", x: u, y: v, transform: `rotate(-90 ${u} ${v})` }, text);

// A line through all three panels for each spot, with its number and a wide ground to point at.
function marks(lane, x, bottom) {
  return svg("g", {}, lane.spots.map((spot, number) => {
    const u = x(spot.rf);
    const node = svg("g", { class: `mark c${number % COLOURS}` },
      svg("rect", { class: "mark-ground", x: u - 9, y: 0, width: 18, height: bottom }),
      svg("line", { x1: u, x2: u, y1: 0, y2: bottom }),
      svg("text", { x: u + 4, y: STRIP + GAP + 10 }, String(number + 1)),
      svg("title", {}, `Spot ${number + 1}, Rf ${spot.rf_text}`));
    spotNode(node, store.lane, number);
    node.addEventListener("click", () => {
      pick(store.lane, number);
      light(`${store.lane}:${number}`);
    });
    return node;
  }));
}

function axis(x, top, width) {
  const every = width < 420 ? 2 : 1;
  const ticks = [...Array(11).keys()].filter((i) => i % every === 0).map((i) => i / 10);
  return svg("g", { class: "axis" },
    svg("line", { x1: LEFT, x2: width - RIGHT, y1: top + 1, y2: top + 1 }),
    ticks.map((rf) => [
      svg("line", { x1: x(rf), x2: x(rf), y1: top + 1, y2: top + 6 }),
      svg("text", { x: x(rf), y: top + 19 }, rf.toFixed(1)),
    ]).flat(),
    svg("text", { class: "axis-title", x: x(0.5), y: top + 33 }, "Rf"));
}
