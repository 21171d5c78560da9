// The plate in the middle: its picture, what was found on it, and the handles that put it right.

import { plate } from "./api.js";
import { byId, renew, set, svg } from "./dom.js";
import { clamp, heightAt, views } from "./geometry.js";
import { handle } from "./handles.js";
import { chooseLane, edit, on, pick, spotNode, store } from "./store.js";
import { Viewport } from "./viewport.js";

const CORNERS = ["lower left", "lower right", "upper right", "upper left"];
const GRIP = 7;    // half of a handle on the screen, in its pixels
const REACH = 22;  // of a finger: what a handle's own ground spans

let port;
let layout = null;  // what is drawn: the state's layout, and what is being dragged
let view = null;
let photo = null;   // width and height of the picture
let places = [];    // what puts each node where it belongs
let masking = null;
let shown = "";     // which picture is shown

const root = byId("plate");
const ground = svg("g");
const overlay = svg("g");

export function startPlate() {
  root.append(ground, overlay);
  port = new Viewport(root, () => places.forEach((place) => place()));
  on("state", draw);
  on("lane", draw);
  on("open", () => {
    layout = null;
    photo = null;
    shown = "";
    ground.replaceChildren();
    overlay.replaceChildren();
  });
  byId("zoom-in").addEventListener("click", () => port.by(1.25));
  byId("zoom-out").addEventListener("click", () => port.by(0.8));
  byId("zoom-fit").addEventListener("click", () => port.fit());
  byId("add-lane").addEventListener("click", addLane);
  byId("mask").addEventListener("click", () => mask(masking === null));
  ["photo", "squared"].forEach((mode) => byId(`show-${mode}`).addEventListener("change", () => {
    store.mode = mode;
    draw();
  }));
  root.addEventListener("pointerdown", maskDown, true);
  root.addEventListener("pointermove", maskMove);
  root.addEventListener("pointerup", maskUp);
  root.addEventListener("keydown", (event) => {
    if (event.key === "Escape") mask(false);
  });
}

const toPlate = (event) => view.toPlate(port.at(event));
const unit = () => (layout.scaled ? "mm" : "px");
const words = (value) => `${value.toFixed(layout.scaled ? 1 : 0)} ${unit()}`;

// Where a line is not known yet, a handle stands ready at a usual height.
function copied(found) {
  const out = structuredClone(found);
  out.known = { origin: found.origin !== null, front: found.front !== null };
  out.origin ??= [0.12, 0.12, 0.12].map((share) => share * found.height);
  out.front ??= [0.88, 0.88, 0.88].map((share) => share * found.height);
  return out;
}

// Where no plate was found, its corners stand ready within the picture.
function blank() {
  const [w, h] = photo;
  const [left, right, low, high] = [0.08 * w, 0.92 * w, 0.92 * h, 0.08 * h];
  return {
    width: w, height: h, scaled: false, mm_per_unit: 100 / Math.max(w, h), found: {}, lanes: [],
    corners_px: [[left, low], [right, low], [right, high], [left, high]],
    origin: null, front: null, bare: true,
  };
}

async function picture() {
  const { settings, layout: found } = store.state;
  const squared = store.mode === "squared" && found;
  const wanted = squared ? `s ${JSON.stringify(found.corners_px)} ${found.width}`
    : `p ${settings.turn} ${settings.transfer}`;
  const name = `${store.id} ${wanted}`;
  if (shown === name) return;
  shown = name;
  const id = store.id;
  const file = squared ? "squared.jpg" : "photo.jpg";
  const response = await fetch(`${plate(id)}/${file}?${encodeURIComponent(wanted)}`);
  if (!response.ok || shown !== name) return;
  const address = URL.createObjectURL(await response.blob());
  const image = svg("image", { href: address, preserveAspectRatio: "none" });
  image.addEventListener("load", () => setTimeout(() => URL.revokeObjectURL(address), 5000));
  if (squared) {
    set(image, { x: 0, y: 0, width: found.width, height: found.height });
  } else {
    const [, width, height] = response.headers.get("x-picture").split(" ").map(Number);
    photo = [width, height];
    // A pixel's centre lies at a whole number.
    set(image, { x: -0.5, y: -0.5, width, height });
  }
  ground.replaceChildren(image);
  draw();
}

function draw() {
  if (!store.state) return;
  picture();
  if (store.moving) return;
  const squared = store.mode === "squared" && Boolean(store.state.layout);
  byId("show-squared").disabled = !store.state.layout;
  if (!photo && !squared) return;
  layout = copied(store.state.layout ?? blank());
  view = views(layout, squared);
  if (squared) port.show(layout.width, layout.height);
  else port.show(photo[0], photo[1], -0.5, -0.5);
  places = [];
  overlay.classList.toggle("old", !store.state.fresh);
  const parts = [outline(squared)];
  if (!layout.bare) {
    parts.push(...masks(), ...layout.lanes.map((_, index) => laneOf(index)), spots());
    parts.push(line("front"), line("origin"));
    if (layout.lanes.length) parts.push(grips(store.lane));
  }
  if (!squared) parts.push(...CORNERS.map((_, index) => corner(index)));
  renew(overlay, parts);
  port.apply();
}

// Add a node that is placed anew at every zoom and move.
function placed(node, place) {
  const run = () => place(node);
  places.push(run);
  return node;
}

const moveAll = () => places.forEach((place) => place());
const path = (points, close = false) =>
  `M${points.map((p) => view.toView(p).map((v) => v.toFixed(3)).join(" ")).join("L")}${close ? "Z" : ""}`;

function outline(squared) {
  if (squared) return null;
  return placed(svg("path", { class: "outline" }), (node) =>
    node.setAttribute("d", path([[0, 0], [layout.width, 0], [layout.width, layout.height],
      [0, layout.height]], true)));
}

// A handle's two shapes: the mark that is seen, and the ground that a finger finds.
function grip(kind, at) {
  const shape = svg("g", { class: `grip ${kind}` },
    svg("circle", { class: "reach" }), svg(kind === "turned" ? "rect" : "circle", { class: "dot" }));
  placed(shape, () => {
    const [x, y] = view.toView(at());
    const r = GRIP * port.unit;
    set(shape.firstChild, { cx: x, cy: y, r: (REACH / 2) * port.unit });
    set(shape.lastChild, kind === "turned"
      ? { x: x - r, y: y - r, width: 2 * r, height: 2 * r, transform: `rotate(45 ${x} ${y})` }
      : { cx: x, cy: y, r });
  });
  return shape;
}

// A handle in plate coordinates; an arrow key moves it by a tenth of a millimetre.
const tie = (options) =>
  handle({ toPlate, step: () => 0.1 / layout.mm_per_unit, ...options }).node;

// ------------------------------------------------------------------ corners

function corner(index) {
  const there = structuredClone(layout.corners_px);
  const at = () => there[index];
  const shape = svg("g", { class: "grip turned corner" },
    svg("circle", { class: "reach" }), svg("rect", { class: "dot" }));
  placed(shape, () => {
    const [x, y] = at();
    const r = GRIP * port.unit;
    set(shape.firstChild, { cx: x, cy: y, r: (REACH / 2) * port.unit });
    set(shape.lastChild, { x: x - r, y: y - r, width: 2 * r, height: 2 * r });
  });
  return handle({
    key: `corner ${index}`, label: `Plate's ${CORNERS[index]} corner`, shape, at,
    toPlate: (event) => port.at(event),
    move: ([x, y]) => {
      there[index] = [clamp(x, -0.5, photo[0] - 0.5), clamp(y, -0.5, photo[1] - 0.5)];
      layout.corners_px = there;
      view = views(layout, false);
      moveAll();
    },
    up: -1, // rows of a picture count downward
    text: () => `${at()[0].toFixed(0)}, ${at()[1].toFixed(0)} pixels`,
    range: () => [0, photo[0], at()[0]],
    step: () => 1,
    commit: () => edit({ do: "corners", corners: there }),
  }).node;
}

// ------------------------------------------------------------------ origin and front

function line(name) {
  const heights = layout[name];
  const byHand = store.state.by_hand.includes(name);
  const across = [...Array(25).keys()].map((i) => (i / 24) * layout.width);
  const points = () => across.map((x) => [x, heightAt(heights, layout.width, x)]);
  const title = name === "origin" ? "Origin line" : "Solvent front";
  const kind = `line ${name} ${byHand ? "hand" : layout.known[name] ? "found" : "missing"}`;
  const stroke = placed(svg("path", { class: kind }), (node) =>
    node.setAttribute("d", path(points())));
  const halo = placed(svg("path", { class: "halo" }), (node) =>
    node.setAttribute("d", path(points())));
  const commit = () => edit({ do: "line", line: name, heights });
  const bound = (y) => clamp(y, 0.01 * layout.height, 0.99 * layout.height);
  const whole = wholeLine(name, title, heights, points, commit, bound);
  const single = (index, where, x) => tie({
    key: `${name} ${index}`, label: `${title}, ${where}`,
    shape: grip("round", () => [x, heights[index]]), at: () => [x, heights[index]],
    move: ([, y]) => {
      heights[index] = bound(y);
      moveAll();
    },
    text: () => words(heights[index]),
    range: () => [0, layout.height, heights[index]], commit,
  });
  return svg("g", { class: "whole-line" }, halo, stroke, whole,
    single(0, "left end", 0), single(1, "middle", layout.width / 2),
    single(2, "right end", layout.width));
}

// The line as a whole: its stroke, and a flag that names it.
function wholeLine(name, title, heights, points, commit, bound) {
  const wide = placed(svg("path", { class: "grab" }), (node) =>
    set(node, { d: path(points()), "stroke-width": 16 * port.unit }));
  const tag = svg("text", { class: "tag", "aria-hidden": "true" }, name);
  placed(tag, () => {
    const x = layout.width * 0.75;
    const [u, v] = view.toView([x, heightAt(heights, layout.width, x)]);
    set(tag, { x: u, y: v - 6 * port.unit, "font-size": 13 * port.unit,
      "stroke-width": 3.5 * port.unit });
  });
  return tie({
    key: `${name} whole`, label: `${title}, whole`, shape: svg("g", {}, wide, tag),
    at: () => [0, heights[1]],
    move: ([, y]) => {
      const by = bound(y) - heights[1];
      heights.forEach((height, index) => {
        heights[index] = bound(height + by);
      });
      moveAll();
    },
    text: () => `${words(heights[1])} above the lower edge`,
    range: () => [0, layout.height, heights[1]], commit,
  });
}

// ------------------------------------------------------------------ lanes

const bottom = (lane) => [lane.x, heightAt(layout.origin, layout.width, lane.x)];
const top = (lane) => [lane.x_front, heightAt(layout.front, layout.width, lane.x_front)];

function box(lane) {
  const [a, b] = [bottom(lane), top(lane)];
  const half = lane.width / 2;
  return [[a[0] - half, a[1]], [b[0] - half, b[1]], [b[0] + half, b[1]], [a[0] + half, a[1]]];
}

const sendLane = (index) => () => {
  const { x, x_front, width } = layout.lanes[index];
  return edit({ do: "lane", lane: index, x, x_front, width });
};

const inside = (x) => clamp(x, 0.005 * layout.width, 0.995 * layout.width);

function laneOf(index) {
  const lane = layout.lanes[index];
  const hand = store.state.by_hand.includes(`lane ${lane.name}`);
  const chosen = index === store.lane;
  const area = placed(svg("path", {
    class: `lane ${hand ? "hand" : "found"} ${chosen ? "chosen" : ""}`,
  }), (node) => node.setAttribute("d", path(box(lane), true)));
  const name = svg("text", { class: "lane-name", "aria-hidden": "true" }, lane.name);
  placed(name, () => {
    const [u, v] = view.toView(bottom(lane));
    set(name, { x: u, y: v + 18 * port.unit, "font-size": 13 * port.unit,
      "stroke-width": 3.5 * port.unit });
  });
  const node = tie({
    key: `lane ${index}`, label: `Lane ${lane.name}, place`, shape: svg("g", {}, area, name),
    at: () => [lane.x, 0],
    move: ([x]) => {
      const by = clamp(x - lane.x, 0.005 * layout.width - Math.min(lane.x, lane.x_front),
        0.995 * layout.width - Math.max(lane.x, lane.x_front));
      lane.x += by;
      lane.x_front += by;
      moveAll();
    },
    text: () => `${words(lane.x)} from the left edge`,
    range: () => [0, layout.width, lane.x], commit: sendLane(index),
  });
  const choose = () => {
    if (store.lane !== index && !store.moving) chooseLane(index);
  };
  node.addEventListener("pointerup", choose);
  node.addEventListener("focus", () => {
    // Chosen by keyboard alone: a pointer's press must not rebuild what it is about to drag.
    if (node.matches(":focus-visible") && !node.matches(":hover")) choose();
  });
  return node;
}

// The chosen lane's own handles: both ends and the width.
function grips(index) {
  const lane = layout.lanes[index];
  const end = (key, where, at) => tie({
    key: `lane ${index} ${key}`, label: `Lane ${lane.name}, ${where}`, shape: grip("round", at), at,
    move: ([x]) => {
      lane[key] = inside(x);
      moveAll();
    },
    text: () => `${words(lane[key])} from the left edge`,
    range: () => [0, layout.width, lane[key]], commit: sendLane(index),
  });
  const side = () => {
    const [a, b] = [bottom(lane), top(lane)];
    return [(a[0] + b[0]) / 2 + lane.width / 2, (a[1] + b[1]) / 2];
  };
  const width = tie({
    key: `lane ${index} width`, label: `Lane ${lane.name}, width`, shape: grip("turned", side),
    at: side,
    move: ([x]) => {
      const middle = side()[0] - lane.width / 2;
      lane.width = clamp(2 * (x - middle), 1 / layout.mm_per_unit, layout.width / 2);
      moveAll();
    },
    text: () => words(lane.width), range: () => [0, layout.width / 2, lane.width],
    commit: sendLane(index),
  });
  return svg("g", { class: "grips" }, end("x", "at the origin", () => bottom(lane)),
    end("x_front", "at the front", () => top(lane)), width);
}

// A new lane goes into the widest gap: there it is most likely missing.
function addLane() {
  if (!layout || layout.bare) return;
  const edges = [0, ...layout.lanes.map((lane) => lane.x), layout.width];
  let best = 0;
  for (let i = 1; i < edges.length - 1; i += 1) {
    if (edges[i + 1] - edges[i] > edges[best + 1] - edges[best]) best = i;
  }
  store.lane = best;
  edit({ do: "add-lane", x: (edges[best] + edges[best + 1]) / 2 });
}

// ------------------------------------------------------------------ spots

function spots() {
  const group = svg("g", { class: "spots" });
  (store.reading?.lanes ?? []).forEach((lane, index) => {
    const there = layout.lanes[index];
    if (!there) return;
    lane.spots.forEach((spot, number) => {
      const ring = svg("ellipse", { class: "ring" });
      const label = svg("text", { class: "spot-name", "aria-hidden": "true" }, String(number + 1));
      const node = svg("g", { class: "spot" }, ring, label);
      // An old reading's spot keeps its place on the plate while lines move under it.
      placed(node, () => {
        const [u, v] = view.toView([spot.x, spot.y]);
        const [side] = view.toView([spot.x + there.width * 0.42, spot.y]);
        const [, high] = view.toView([spot.x, spot.y + spot.half]);
        set(ring, { cx: u, cy: v, rx: Math.abs(side - u), ry: Math.abs(high - v) });
        set(label, { x: u + Math.abs(side - u) + 3 * port.unit, y: v + 4 * port.unit,
          "font-size": 12 * port.unit, "stroke-width": 3 * port.unit });
      });
      spotNode(node, index, number);
      node.addEventListener("click", () => pick(index, number));
      group.append(node);
    });
  });
  return group;
}

// ------------------------------------------------------------------ masks

function masks() {
  return (store.state.settings.places.masks ?? []).map((points, index) => {
    const area = placed(svg("path", { class: "mask" }), (node) =>
      node.setAttribute("d", path(points, true)));
    const cross = svg("text", { class: "cross", "aria-hidden": "true" }, "×");
    const back = svg("circle", { class: "cross-ground" });
    const button = svg("g", { class: "remove", role: "button", tabindex: "0",
      "data-key": `mask ${index}`, "aria-label": `Take mask ${index + 1} away` }, back, cross);
    const take = () => edit({ do: "unmask", mask: index });
    button.addEventListener("click", take);
    button.addEventListener("pointerdown", (event) => event.preventDefault());
    button.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        take();
      }
    });
    placed(button, () => {
      const [u, v] = view.toView([Math.max(...points.map((p) => p[0])),
        Math.max(...points.map((p) => p[1]))]);
      set(back, { cx: u, cy: v, r: 10 * port.unit });
      set(cross, { x: u, y: v + 5.5 * port.unit, "font-size": 17 * port.unit });
    });
    return svg("g", {}, area, button);
  });
}

function mask(active) {
  masking = active ? [] : null;
  byId("mask").setAttribute("aria-pressed", String(active));
  root.classList.toggle("masking", active);
}

function maskDown(event) {
  if (masking === null || !view || event.button) return;
  event.preventDefault();
  event.stopPropagation();
  root.setPointerCapture(event.pointerId);
  masking = [toPlate(event)];
  masking.node = svg("path", { class: "mask" });
  overlay.append(masking.node);
}

const rectangle = ([[ax, ay], [bx, by]]) => [[ax, ay], [bx, ay], [bx, by], [ax, by]];

function maskMove(event) {
  if (!masking?.node) return;
  masking[1] = toPlate(event);
  masking.node.setAttribute("d", path(rectangle(masking), true));
}

function maskUp() {
  if (!masking?.node) return;
  const corners = masking;
  corners.node.remove();
  mask(false);
  if (corners[1]) edit({ do: "mask", points: rectangle(corners) });
}

// Mask one spot, as asked for in the table: its lane's width, and twice its own height.
export function maskSpot(laneIndex, spot) {
  const lane = store.state.layout.lanes[laneIndex];
  const [half, high] = [lane.width / 2, 2.2 * spot.half];
  edit({ do: "mask", points: rectangle([[spot.x - half, spot.y - high],
    [spot.x + half, spot.y + high]]) });
}
