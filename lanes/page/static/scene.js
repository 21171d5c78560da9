// What is drawn on the plate, and how a node is put where it belongs at every zoom.

import { set, svg } from "./dom.js";
import { handle } from "./handles.js";

export const GRIP = 7;   // half of a handle on the screen, in its pixels
export const REACH = 11; // of a finger: half of what a handle's own ground spans

export const scene = {
  port: null,    // the viewport
  layout: null,  // the state's layout, and what is being dragged
  view: null,    // the maps between the plate and what is shown
  photo: null,   // width and height of the picture
  places: [],    // what puts each node where it belongs
};

export const toPlate = (event) => scene.view.toPlate(scene.port.at(event));
export const unit = () => (scene.layout.scaled ? "mm" : "px");
export const words = (value) => `${value.toFixed(scene.layout.scaled ? 1 : 0)} ${unit()}`;

// Add a node that is placed anew at every zoom and move.
export function placed(node, place) {
  const run = () => place(node);
  scene.places.push(run);
  return node;
}

export const moveAll = () => scene.places.forEach((place) => place());
export const path = (points, close = false) =>
  `M${points.map((p) => scene.view.toView(p).map((v) => v.toFixed(3)).join(" ")).join("L")}${close ? "Z" : ""}`;

// A handle's two shapes: the mark that is seen, and the ground that a finger finds.
export function grip(kind, at) {
  const shape = svg("g", { class: `grip ${kind}` },
    svg("circle", { class: "reach" }), svg(kind === "turned" ? "rect" : "circle", { class: "dot" }));
  placed(shape, () => {
    const [x, y] = scene.view.toView(at());
    const r = GRIP * scene.port.unit;
    set(shape.firstChild, { cx: x, cy: y, r: REACH * scene.port.unit });
    set(shape.lastChild, kind === "turned"
      ? { x: x - r, y: y - r, width: 2 * r, height: 2 * r, transform: `rotate(45 ${x} ${y})` }
      : { cx: x, cy: y, r });
  });
  return shape;
}

// A handle in plate coordinates; an arrow key moves it by a tenth of a millimetre.
export const tie = (options) =>
  handle({ toPlate, step: () => 0.1 / scene.layout.mm_per_unit, ...options }).node;
