// Masks: what a person says is not a spot.

import { byId, svg, set } from "./dom.js";
import { path, placed, scene, toPlate } from "./scene.js";
import { edit, store } from "./store.js";

const root = byId("plate");
let masking = null; // the rectangle under way, or null

export function startMasks() {
  byId("mask").addEventListener("click", () => mask(masking === null));
  root.addEventListener("pointerdown", maskDown, true);
  root.addEventListener("pointermove", maskMove);
  root.addEventListener("pointerup", maskUp);
  root.addEventListener("keydown", (event) => {
    if (event.key === "Escape") mask(false);
  });
}

export function masks() {
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
      const [u, v] = scene.view.toView([Math.max(...points.map((p) => p[0])),
        Math.max(...points.map((p) => p[1]))]);
      set(back, { cx: u, cy: v, r: 10 * scene.port.unit });
      set(cross, { x: u, y: v + 5.5 * scene.port.unit, "font-size": 17 * scene.port.unit });
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
  if (masking === null || !scene.view || event.button) return;
  event.preventDefault();
  event.stopPropagation();
  root.setPointerCapture(event.pointerId);
  masking = [toPlate(event)];
  masking.node = svg("path", { class: "mask" });
  root.lastChild.append(masking.node);
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
