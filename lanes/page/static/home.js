// The first page: drop a picture, go on with a draft, open a saved reading.

import { get, plate, post, upload } from "./api.js";
import { byId, el, renew } from "./dom.js";
import { emit, follow, on, say, store } from "./store.js";

export async function startHome() {
  on("home", home);
  byId("file").addEventListener("change", (event) => take(event.target.files[0]));
  byId("home-link").addEventListener("click", (event) => {
    event.preventDefault();
    location.hash = "";
  });
  ["dragover", "drop"].forEach((name) => document.addEventListener(name, (event) => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    if (name === "drop") take(event.dataTransfer.files[0]);
  }));
  window.addEventListener("hashchange", route);
  await route();
}

async function listing() {
  store.listing = await get("/api/plates");
  emit("listing");
}

async function route() {
  const id = location.hash.slice(1);
  try {
    await listing();
  } catch (error) {
    say(error.message, "error");
    return;
  }
  const { open } = store.listing;
  if (id && open.some((each) => each.id === id)) show(id);
  else if (id && store.listing.drafts.some((each) => each.id === id)) reopen({ draft: id });
  else home();
}

function show(id) {
  byId("home").hidden = true;
  byId("work").hidden = false;
  document.body.classList.add("working");
  if (location.hash !== `#${id}`) history.replaceState(null, "", `#${id}`);
  if (store.id !== id) follow(id);
}

async function home() {
  Object.assign(store, { id: null, state: null, reading: null });
  byId("home").hidden = false;
  byId("work").hidden = true;
  document.body.classList.remove("working");
  document.title = "lanes";
  await listing().catch((error) => say(error.message, "error"));
  const { open, drafts, saved } = store.listing;
  const link = (id, file) => el("a", { href: `#${id}` }, file);
  part("open-plates", open.map((each) => el("li", {}, link(each.id, each.file),
    el("button", { class: "light", "data-key": `close ${each.id}`,
      "aria-label": `Close ${each.file}`, onclick: () => close(each.id, false) }, "Close"))));
  part("drafts", drafts.map((each) => el("li", {}, el("button", { class: "link",
    onclick: () => reopen({ draft: each.id }) }, each.file),
  el("span", { class: "quiet" }, ` ${new Date(each.changed * 1000).toLocaleString()}`))));
  part("saved-readings", saved.map((name) => el("li", {}, el("button", { class: "link",
    onclick: () => reopen({ saved: name }) }, name))));
}

function part(id, items) {
  byId(`${id}-part`).hidden = items.length === 0;
  renew(byId(id), items);
}

async function take(file) {
  if (!file) return;
  byId("drop").classList.add("busy");
  say(`Taking in ${file.name}…`);
  try {
    const { id } = await upload(file);
    say("");
    await listing();
    show(id);
  } catch (error) {
    say(error.message, "error");
  } finally {
    byId("drop").classList.remove("busy");
    byId("file").value = "";
  }
}

async function reopen(which) {
  try {
    const { id } = await post("/api/open", which);
    await listing();
    show(id);
  } catch (error) {
    say(error.message, "error");
    home();
  }
}

async function close(id, discard) {
  await post(`${plate(id)}/close`, { discard }).catch((error) => say(error.message, "error"));
  home();
}
