// What a person writes about the plate, and saving.

import { plate, post } from "./api.js";
import { byId, el, labelled, renew } from "./dom.js";
import { edit, on, refresh, say, store } from "./store.js";

const TEXTS = { sample: "Sample", solvent: "Solvent", stain: "Stain", date: "Date" };

export function startKeep() {
  on("state", draw);
  on("open", () => {
    byId("save-name").value = "";
  });
  byId("save-form").addEventListener("submit", save);
}

function draw() {
  const { about } = store.state.settings;
  const write = (key) => (event) => edit({ do: "about", key, value: event.target.value });
  renew(byId("about"), Object.entries(TEXTS).map(([key, title]) => labelled(title, el("input", {
    type: "text", value: about[key] ?? "", maxlength: 2000, "data-key": `about ${key}`,
    onchange: write(key) }))),
  notes(about, write("notes")));
  const name = byId("save-name");
  if (!name.value) name.value = `${store.state.file.replace(/\.[^.]*$/, "")}-reading`;
  byId("save-home").textContent = store.state.home;
  const { saved } = store.state;
  byId("saved").hidden = !saved;
  byId("saved-where").textContent = saved ?? "";
  byId("saved-report").href = `${plate(store.id)}/saved/report.html`;
}

function notes(about, onchange) {
  const entry = labelled("Notes", el("textarea", { rows: 4, value: about.notes ?? "",
    maxlength: 2000, "data-key": "about notes", onchange }));
  entry.classList.add("whole");
  return entry;
}

async function save(event) {
  event.preventDefault();
  const button = byId("save-now");
  button.disabled = true;
  say("Saving: the plate is read once more as the command line reads it.");
  try {
    const { folder } = await post(`${plate(store.id)}/save`, {
      name: byId("save-name").value, replace: byId("save-replace").checked });
    say(`Saved in ${folder}`);
    await refresh();
  } catch (error) {
    say(error.message, "error");
  } finally {
    button.disabled = false;
  }
}
