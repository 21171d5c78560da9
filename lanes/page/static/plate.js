// The plate in the middle: its picture, what was found on it, and the handles that put it right.

import { plate } from "./api.js";
import { byId, renew, set, svg } from "./dom.js";
import { clamp, heightAt, views } from "./geometry.js";
import { handle } from "./handles.js";
import { line } from "./lines.js";
import { masks, startMasks } from "./masks.js";
import { GRIP, REACH, grip, moveAll, path, placed, scene, tie, words } from "./scene.js";
import { chooseLane, edit, on, pick, spotNode, store } from "./store.js";
import { Viewport } from "./viewport.js";

const CORNERS = ["lower left", "lower right", "upper right", "upper left"];
const HIGH = 0.93; // of the run: where the width's handle hides the fewest spots

let shown = "";     // which picture is shown

const root = byId("plate");
const ground = svg("g");
const overlay = svg("g");

export function startPlate() {
  root.append(ground, overlay);
  scene.port = new Viewport(root, () => scene.places.forEach((place) => place()));
  on("state", draw);
  on("lane", draw);
  on("open", () => {
    scene.layout = null;
    scene.photo = null;
    shown = "";
    ground.replaceChildren();
    overlay.replaceChildren();
  });
  byId("zoom-in").addEventListener("click", () => scene.port.by(1.25));
  byId("zoom-out").addEventListener("click", () => scene.port.by(0.8));
  byId("zoom-fit").addEventListener("click", () => scene.port.fit());
  byId("add-lane").addEventListener("click", addLane);
  ["photo", "squared"].forEach((mode) => byId(`show-${mode}`).addEventListener("change", () => {
    store.mode = mode;
    draw();
  }));
  startMasks();
}

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
  const [w, h] = scene.photo;
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
    scene.photo = [width, height];
    // A pixel's centre lies at a whole number.
    set(image, { x: -0.5, y: -0.5, width, height });
  }
  ground.replaceChildren(image);
  draw();
}

function draw() {
  if (!store.state) return;
  picture();
  if (store.moving || store.held) return;
  const squared = store.mode === "squared" && Boolean(store.state.layout);
  byId("show-squared").disabled = !store.state.layout;
  if (!scene.photo && !squared) return;
  scene.layout = copied(store.state.layout ?? blank());
  scene.view = views(scene.layout, squared);
  if (squared) scene.port.show(scene.layout.width, scene.layout.height);
  else scene.port.show(scene.photo[0], scene.photo[1], -0.5, -0.5);
  scene.places = [];
  overlay.classList.toggle("old", !store.state.fresh);
  const parts = [outline(squared)];
  if (!scene.layout.bare) {
    parts.push(...masks(), ...scene.layout.lanes.map((_, index) => laneOf(index)), spots());
    parts.push(line("front"), line("origin"));
    if (scene.layout.lanes.length) parts.push(grips(store.lane));
  }
  if (!squared) parts.push(...CORNERS.map((_, index) => corner(index)));
  renew(overlay, parts);
  scene.port.apply();
}

function outline(squared) {
  if (squared) return null;
  return placed(svg("path", { class: "outline" }), (node) =>
    node.setAttribute("d", path([[0, 0], [scene.layout.width, 0], [scene.layout.width, scene.layout.height],
      [0, scene.layout.height]], true)));
}

function corner(index) {
  const there = structuredClone(scene.layout.corners_px);
  const at = () => there[index];
  const shape = svg("g", { class: "grip turned corner" },
    svg("circle", { class: "reach" }), svg("rect", { class: "dot" }));
  placed(shape, () => {
    const [x, y] = at();
    const r = GRIP * scene.port.unit;
    set(shape.firstChild, { cx: x, cy: y, r: REACH * scene.port.unit });
    set(shape.lastChild, { x: x - r, y: y - r, width: 2 * r, height: 2 * r });
  });
  return handle({
    key: `corner ${index}`, label: `Plate's ${CORNERS[index]} corner`, shape, at,
    toPlate: (event) => scene.port.at(event),
    move: ([x, y]) => {
      there[index] = [clamp(x, -0.5, scene.photo[0] - 0.5), clamp(y, -0.5, scene.photo[1] - 0.5)];
      scene.layout.corners_px = there;
      scene.view = views(scene.layout, false);
      moveAll();
    },
    up: -1, // rows of a picture count downward
    text: () => `${at()[0].toFixed(0)}, ${at()[1].toFixed(0)} pixels`,
    range: () => [0, scene.photo[0], at()[0]],
    step: () => 1,
    commit: () => edit({ do: "corners", corners: there }),
  }).node;
}

const bottom = (lane) => [lane.x, heightAt(scene.layout.origin, scene.layout.width, lane.x)];
const top = (lane) => [lane.x_front, heightAt(scene.layout.front, scene.layout.width, lane.x_front)];

function box(lane) {
  const [a, b] = [bottom(lane), top(lane)];
  const half = lane.width / 2;
  return [[a[0] - half, a[1]], [b[0] - half, b[1]], [b[0] + half, b[1]], [a[0] + half, a[1]]];
}

const sendLane = (index) => () => {
  const { x, x_front, width } = scene.layout.lanes[index];
  return edit({ do: "lane", lane: index, x, x_front, width });
};

const inside = (x) => clamp(x, 0.005 * scene.layout.width, 0.995 * scene.layout.width);

function laneOf(index) {
  const lane = scene.layout.lanes[index];
  const hand = store.state.by_hand.includes(`lane ${lane.name}`);
  const chosen = index === store.lane;
  const area = placed(svg("path", {
    class: `lane ${hand ? "hand" : "found"} ${chosen ? "chosen" : ""}`,
  }), (node) => node.setAttribute("d", path(box(lane), true)));
  const name = svg("text", { class: "lane-name", "aria-hidden": "true" }, lane.name);
  placed(name, () => {
    const [u, v] = scene.view.toView(bottom(lane));
    set(name, { x: u, y: v + 18 * scene.port.unit, "font-size": 13 * scene.port.unit,
      "stroke-width": 3.5 * scene.port.unit });
  });
  const node = tie({
    key: `lane ${index}`, label: `Lane ${lane.name}, place`, shape: svg("g", {}, area, name),
    at: () => [lane.x, 0],
    move: ([x]) => {
      const by = clamp(x - lane.x, 0.005 * scene.layout.width - Math.min(lane.x, lane.x_front),
        0.995 * scene.layout.width - Math.max(lane.x, lane.x_front));
      lane.x += by;
      lane.x_front += by;
      moveAll();
    },
    text: () => `${words(lane.x)} from the left edge`,
    range: () => [0, scene.layout.width, lane.x], commit: sendLane(index),
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
  const lane = scene.layout.lanes[index];
  const end = (key, where, at) => tie({
    key: `lane ${index} ${key}`, label: `Lane ${lane.name}, ${where}`, shape: grip("round", at), at,
    move: ([x]) => {
      lane[key] = inside(x);
      moveAll();
    },
    text: () => `${words(lane[key])} from the left edge`,
    range: () => [0, scene.layout.width, lane[key]], commit: sendLane(index),
  });
  const side = () => {
    const [a, b] = [bottom(lane), top(lane)];
    return [a[0] + HIGH * (b[0] - a[0]) + lane.width / 2, a[1] + HIGH * (b[1] - a[1])];
  };
  const width = tie({
    key: `lane ${index} width`, label: `Lane ${lane.name}, width`, shape: grip("turned", side),
    at: side,
    move: ([x]) => {
      const middle = side()[0] - lane.width / 2;
      lane.width = clamp(2 * (x - middle), 1 / scene.layout.mm_per_unit, scene.layout.width / 2);
      moveAll();
    },
    text: () => words(lane.width), range: () => [0, scene.layout.width / 2, lane.width],
    commit: sendLane(index),
  });
  return svg("g", { class: "grips" }, end("x", "at the origin", () => bottom(lane)),
    end("x_front", "at the front", () => top(lane)), width);
}

// A new lane goes into the widest gap: there it is most likely missing.
function addLane() {
  if (!scene.layout || scene.layout.bare) return;
  const edges = [0, ...scene.layout.lanes.map((lane) => lane.x), scene.layout.width];
  let best = 0;
  for (let i = 1; i < edges.length - 1; i += 1) {
    if (edges[i + 1] - edges[i] > edges[best + 1] - edges[best]) best = i;
  }
  store.lane = best;
  edit({ do: "add-lane", x: (edges[best] + edges[best + 1]) / 2 });
}

function spots() {
  const group = svg("g", { class: "spots" });
  (store.reading?.lanes ?? []).forEach((lane, index) => {
    const there = scene.layout.lanes[index];
    if (!there) return;
    lane.spots.forEach((spot, number) => {
      const ring = svg("ellipse", { class: "ring" });
      const label = svg("text", { class: "spot-name", "aria-hidden": "true" }, String(number + 1));
      const node = svg("g", { class: "spot" }, ring, label);
      // An old reading's spot keeps its place on the plate while lines move under it.
      placed(node, () => {
        const [u, v] = scene.view.toView([spot.x, spot.y]);
        const [side] = scene.view.toView([spot.x + there.width * 0.42, spot.y]);
        const [, high] = scene.view.toView([spot.x, spot.y + spot.half]);
        set(ring, { cx: u, cy: v, rx: Math.abs(side - u), ry: Math.abs(high - v) });
        set(label, { x: u + Math.abs(side - u) + 3 * scene.port.unit, y: v + 4 * scene.port.unit,
          "font-size": 12 * scene.port.unit, "stroke-width": 3 * scene.port.unit });
      });
      spotNode(node, index, number);
      node.addEventListener("click", () => pick(index, number));
      group.append(node);
    });
  });
  return group;
}
