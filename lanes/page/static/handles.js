// A handle on the plate: dragged by mouse and finger, moved by arrow keys, heard as a slider.

import { set, svg } from "./dom.js";
import { emit, store } from "./store.js";

const REST_MS = 450; // the keys' move is taken when they rest this long

// Return a handle.
//   key, label  its name, and what is heard
//   shape       the node that shows it, already placed by the caller
//   at()        its place on the plate now
//   move(p)     moves it to a place on the plate, on the page only
//   text()      its place in words
//   range()     least, most and present value
//   commit()    sends what was moved
//   step        of one arrow press, in the plate's unit
//   up          -1 where the second number counts downward
export function handle({ key, label, shape, at, move, text, range, commit, step, toPlate,
  up = 1 }) {
  const node = svg("g", {
    class: "handle", role: "slider", tabindex: "0", "data-key": key, "aria-label": label,
  }, shape);
  let from = null;
  let timer = null;
  const tell = () => {
    const [low, high, now] = range();
    set(node, { "aria-valuemin": low.toFixed(2), "aria-valuemax": high.toFixed(2),
      "aria-valuenow": now.toFixed(2), "aria-valuetext": text() });
  };
  const done = () => {
    if (timer) clearTimeout(timer);
    timer = null;
    if (!store.moving) return;
    store.moving = false;
    node.classList.remove("held");
    commit();
  };

  node.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    event.preventDefault();
    event.stopPropagation();
    node.focus({ preventScroll: true });
    node.setPointerCapture(event.pointerId);
    from = { place: at(), pointer: toPlate(event), moved: false };
    store.held = true;
  });
  node.addEventListener("pointermove", (event) => {
    if (!from) return;
    const now = toPlate(event);
    from.moved = true;
    store.moving = true;
    node.classList.add("held");
    move([from.place[0] + now[0] - from.pointer[0], from.place[1] + now[1] - from.pointer[1]]);
    tell();
  });
  node.addEventListener("pointerup", () => {
    const moved = from?.moved;
    from = null;
    store.held = false;
    if (moved) done();
    else emit("state"); // what came in meanwhile was not drawn
  });
  node.addEventListener("pointercancel", () => {
    from = null;
    store.held = false;
    done();
  });
  node.addEventListener("keydown", (event) => {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    const way = ways[event.key];
    if (!way || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    event.stopPropagation();
    const far = step() * (event.shiftKey ? 10 : 1);
    const [x, y] = at();
    store.moving = true;
    move([x + way[0] * far, y + up * way[1] * far]);
    tell();
    clearTimeout(timer);
    timer = setTimeout(done, REST_MS);
  });
  node.addEventListener("blur", done);
  tell();
  return { node, tell };
}
