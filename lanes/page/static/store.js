// What the page knows: the document's state, its reading, and what is looked at. Modules listen.

import { get, plate, post } from "./api.js";

const listeners = new Map();

export const store = {
  id: null,          // the open plate
  state: null,       // its state, as the server last told it
  reading: null,     // its last reading with traces
  readingStamp: -1,
  lane: 0,           // the lane looked at
  held: false,       // a handle is under a finger or the mouse's button
  moving: false,     // and is being dragged, or moved by keys
  mode: "photo",     // or "squared"
  listing: null,     // what the first page shows
  spotWanted: null,  // where a clicked spot goes: a question's entry
};

export function on(event, listener) {
  if (!listeners.has(event)) listeners.set(event, []);
  listeners.get(event).push(listener);
}

export function emit(event, value) {
  (listeners.get(event) ?? []).forEach((listener) => listener(value));
}

export function say(line, kind = "note") {
  emit("say", { line, kind });
}

// Make one edit on the state that is shown. Another tab's change in between is shown instead.
export async function edit(change) {
  if (!store.state) return false;
  try {
    await post(`${plate(store.id)}/edit`, { revision: store.state.revision, edit: change });
    await refresh();
    return true;
  } catch (error) {
    say(error.message, "error");
    await refresh().catch(() => {});
    emit("state");
    return false;
  }
}

// Take the newest state at once.
export async function refresh() {
  if (store.id) await take(await get(plate(store.id)));
}

async function take(state) {
  if (state.id !== store.id) return;
  if (store.state && state.stamp < store.state.stamp) return;
  if (state.reading_stamp !== store.readingStamp) {
    const { reading } = await get(`${plate(state.id)}/reading`);
    if (state.id !== store.id || (store.state && state.stamp < store.state.stamp)) return;
    store.readingStamp = state.reading_stamp;
    if (reading || state.error) store.reading = reading;
  }
  store.state = state;
  const lanes = store.state.layout?.lanes.length ?? 0;
  store.lane = Math.max(0, Math.min(store.lane, lanes - 1));
  emit("state");
}

// Follow the document until another one is opened.
export async function follow(id) {
  Object.assign(store, { id, state: null, reading: null, readingStamp: -1, lane: 0 });
  emit("open");
  let silent = false;
  while (store.id === id) {
    try {
      const after = store.state?.stamp ?? 0;
      await take(await get(`${plate(id)}?after=${after}`));
      silent = false;
    } catch (error) {
      if (error.status === 404 || error.status === 403) {
        say(error.message, "error");
        if (error.status === 404) emit("home");
        return;
      }
      if (!silent) say(error.message, "error");
      silent = true;
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
}

export function chooseLane(index) {
  store.lane = index;
  emit("lane");
}

// Light up one spot wherever it is shown; null puts all out.
export function light(key) {
  document.querySelectorAll("[data-spot].lit").forEach((node) => node.classList.remove("lit"));
  if (key === null) return;
  document.querySelectorAll(`[data-spot="${key}"]`).forEach((node) => node.classList.add("lit"));
}

// A spot was clicked or chosen: it goes into a question's entry where one waits for it.
export function pick(lane, spot) {
  chooseLane(lane);
  emit("pick", { lane, spot });
}

// Let `node` light its spot under the pointer and the keyboard, and pick it.
export function spotNode(node, lane, spot) {
  const key = `${lane}:${spot}`;
  node.setAttribute("data-spot", key);
  node.addEventListener("pointerenter", () => light(key));
  node.addEventListener("pointerleave", () => light(null));
  node.addEventListener("focusin", () => light(key));
  node.addEventListener("focusout", () => light(null));
}
