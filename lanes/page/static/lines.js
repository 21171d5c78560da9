// Origin and front: each moved as a whole, or by its two ends and its middle.

import { set, svg } from "./dom.js";
import { clamp, heightAt } from "./geometry.js";
import { grip, moveAll, path, placed, scene, tie, words } from "./scene.js";
import { edit, store } from "./store.js";

export function line(name) {
  const heights = scene.layout[name];
  const byHand = store.state.by_hand.includes(name);
  const across = [...Array(25).keys()].map((i) => (i / 24) * scene.layout.width);
  const points = () => across.map((x) => [x, heightAt(heights, scene.layout.width, x)]);
  const title = name === "origin" ? "Origin line" : "Solvent front";
  const kind = `line ${name} ${byHand ? "hand" : scene.layout.known[name] ? "found" : "missing"}`;
  const stroke = placed(svg("path", { class: kind }), (node) =>
    node.setAttribute("d", path(points())));
  const halo = placed(svg("path", { class: "halo" }), (node) =>
    node.setAttribute("d", path(points())));
  const commit = () => edit({ do: "line", line: name, heights });
  const bound = (y) => clamp(y, 0.01 * scene.layout.height, 0.99 * scene.layout.height);
  const whole = wholeLine(name, title, heights, points, commit, bound);
  const single = (index, where, x) => tie({
    key: `${name} ${index}`, label: `${title}, ${where}`,
    shape: grip("round", () => [x, heights[index]]), at: () => [x, heights[index]],
    move: ([, y]) => {
      heights[index] = bound(y);
      moveAll();
    },
    text: () => words(heights[index]),
    range: () => [0, scene.layout.height, heights[index]], commit,
  });
  return svg("g", { class: "whole-line" }, halo, stroke, whole,
    single(0, "left end", 0), single(1, "middle", scene.layout.width / 2),
    single(2, "right end", scene.layout.width));
}

// The line as a whole: its stroke, and a flag that names it.
function wholeLine(name, title, heights, points, commit, bound) {
  const wide = placed(svg("path", { class: "grab" }), (node) =>
    set(node, { d: path(points()), "stroke-width": 16 * scene.port.unit }));
  const tag = svg("text", { class: "tag", "aria-hidden": "true" }, name);
  placed(tag, () => {
    const x = scene.layout.width * 0.75;
    const [u, v] = scene.view.toView([x, heightAt(heights, scene.layout.width, x)]);
    set(tag, { x: u, y: v - 6 * scene.port.unit, "font-size": 13 * scene.port.unit,
      "stroke-width": 3.5 * scene.port.unit });
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
    range: () => [0, scene.layout.height, heights[1]], commit,
  });
}
