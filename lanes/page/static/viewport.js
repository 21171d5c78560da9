// Zoom and pan of the plate: wheel, two fingers, drag on bare ground, keys.

import { clamp } from "./geometry.js";

const CLOSEST = 24; // times the whole
const STEP = 1.25;  // of one key press or click

export class Viewport {
  constructor(svg, changed) {
    this.svg = svg;
    this.changed = changed;
    this.size = [1, 1, 0, 0]; // width, height, left, top of what is shown
    this.zoom = 1;
    this.centre = [0.5, 0.5];
    this.pointers = new Map();
    svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    svg.addEventListener("pointerdown", (event) => this.down(event));
    svg.addEventListener("pointermove", (event) => this.move(event));
    ["pointerup", "pointercancel", "lostpointercapture"].forEach((name) =>
      svg.addEventListener(name, (event) => this.pointers.delete(event.pointerId)));
    svg.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.apply()).observe(svg);
  }

  show(width, height, left = 0, top = 0) {
    const same = this.size.join() === [width, height, left, top].join();
    this.size = [width, height, left, top];
    if (!same) this.fit();
  }

  fit() {
    this.zoom = 1;
    this.centre = [this.size[2] + this.size[0] / 2, this.size[3] + this.size[1] / 2];
    this.apply();
  }

  // Units of the picture to one pixel of the screen.
  get unit() {
    const box = this.svg.getBoundingClientRect();
    if (!box.width || !box.height) return 1;
    return Math.max(this.size[0] * 1.06 / box.width, this.size[1] * 1.06 / box.height) / this.zoom;
  }

  apply() {
    const box = this.svg.getBoundingClientRect();
    if (!box.width) return;
    const width = box.width * this.unit;
    const height = box.height * this.unit;
    const [w, h, left, top] = this.size;
    this.centre = [clamp(this.centre[0], left, left + w), clamp(this.centre[1], top, top + h)];
    this.box = [this.centre[0] - width / 2, this.centre[1] - height / 2, width, height];
    this.svg.setAttribute("viewBox", this.box.join(" "));
    this.svg.classList.toggle("zoomed", this.zoom > 1.01);
    this.changed();
  }

  // A point of the screen in the picture's own coordinates.
  at(event) {
    const box = this.svg.getBoundingClientRect();
    return [this.box[0] + (event.clientX - box.left) * this.unit,
      this.box[1] + (event.clientY - box.top) * this.unit];
  }

  by(factor, point = this.centre) {
    const zoom = clamp(this.zoom * factor, 1, CLOSEST);
    const share = this.zoom / zoom;
    this.centre = this.centre.map((c, i) => point[i] + (c - point[i]) * share);
    this.zoom = zoom;
    this.apply();
  }

  wheel(event) {
    event.preventDefault();
    this.by(Math.exp(-event.deltaY * (event.deltaMode === 1 ? 0.05 : 0.0018)), this.at(event));
  }

  down(event) {
    if (event.defaultPrevented) return;
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    // Not before it moves: a captured press would keep its click from what lies under it.
    if (Math.hypot(now[0] - before[0], now[1] - before[1]) < 1) return;
    if (this.zoom > 1.01 || this.pointers.size > 1) this.svg.setPointerCapture(event.pointerId);
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const gap = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
      this.by(gap(now) / Math.max(1, gap(before)), this.at({
        clientX: (now[0] + other[0]) / 2, clientY: (now[1] + other[1]) / 2 }));
    } else if (this.zoom > 1.01) {
      this.centre = this.centre.map((c, i) => c - (now[i] - before[i]) * this.unit);
      this.apply();
    }
    this.pointers.set(event.pointerId, now);
  }

  key(event) {
    if (event.target !== this.svg || event.ctrlKey || event.metaKey) return;
    const pan = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (event.key === "+" || event.key === "=") this.by(STEP);
    else if (event.key === "-") this.by(1 / STEP);
    else if (event.key === "0") this.fit();
    else if (pan[event.key]) {
      this.centre = this.centre.map((c, i) => c + pan[event.key][i] * 40 * this.unit);
      this.apply();
    } else return;
    event.preventDefault();
  }
}
