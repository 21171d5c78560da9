// The page put together: the bar, the tabs, the theme, the keys.

import { plate, post } from "./api.js";
import { byId } from "./dom.js";
import { startEditor } from "./editor.js";
import { startFigure } from "./figure.js";
import { startHome } from "./home.js";
import { startKeep } from "./keep.js";
import { startPlate } from "./plate.js";
import { ask, startQuestions } from "./questions.js";
import { edit, on, say, store } from "./store.js";
import { startTable } from "./table.js";

const TABS = ["reading", "questions", "about"];
const THEMES = ["auto", "light", "dark"];

function bar() {
  const { state } = store;
  document.title = `${state.file} · lanes`;
  byId("file-name").textContent = state.file;
  byId("undo").disabled = !state.undo;
  byId("redo").disabled = !state.redo;
  const { progress, error, fresh, stopped, trouble } = state;
  const reading = !fresh && !stopped;
  byId("working").hidden = !reading;
  byId("again").hidden = !stopped || fresh;
  if (reading) {
    byId("stage").textContent = progress
      ? progress.stage + (progress.whole > 1 ? ` ${progress.done + 1} of ${progress.whole}` : "")
      : "reading again";
    const bar = byId("progress");
    if (progress && progress.whole > 1) bar.value = progress.done / progress.whole;
    else bar.removeAttribute("value");
  }
  byId("error").hidden = !error && !trouble;
  byId("error").textContent = [error && inPlain(error), trouble].filter(Boolean).join(" ");
}

// The command line's remedy, where the page has a nearer one.
function inPlain(line) {
  const place = [[/: give its height .*--(origin|front).*/, ": drag the $1 to where it is"],
    [/; give the x of each with --lanes.*/, "; add lanes and drag them to where they are"],
    [/: give the x of each with --lanes.*/, ": add lanes and drag them to where they are"],
    [/: give --origin and --front, counted.*/, ": drag both to where they are"],
    [/: scan the whole plate on an even bed.*/, ": drag its four corners to where they are"]];
  return place.reduce((text, [from, to]) => text.replace(from, to), line);
}

function tabs() {
  const buttons = TABS.map((name) => byId(`tab-${name}`));
  const choose = (index) => TABS.forEach((name, i) => {
    buttons[i].setAttribute("aria-selected", String(i === index));
    buttons[i].tabIndex = i === index ? 0 : -1;
    byId(`panel-${name}`).hidden = i !== index;
  });
  buttons.forEach((button, i) => {
    button.addEventListener("click", () => choose(i));
    button.addEventListener("keydown", (event) => {
      const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!way) return;
      const next = (i + way + TABS.length) % TABS.length;
      choose(next);
      buttons[next].focus();
    });
  });
  choose(0);
}

function theme() {
  const button = byId("theme");
  let now = THEMES.indexOf(localStorage.getItem("theme") ?? "auto");
  const show = () => {
    document.documentElement.dataset.theme = THEMES[now];
    button.textContent = { auto: "Theme: as the system", light: "Theme: light",
      dark: "Theme: dark" }[THEMES[now]];
  };
  button.addEventListener("click", () => {
    now = (now + 1) % THEMES.length;
    localStorage.setItem("theme", THEMES[now]);
    show();
  });
  now = Math.max(0, now);
  show();
}

function messages() {
  let timer = null;
  const box = byId("said");
  const hide = () => {
    box.hidden = true;
  };
  byId("said-close").addEventListener("click", hide);
  on("say", ({ line, kind }) => {
    byId(kind === "error" ? "said-error" : "said-note").textContent = line;
    byId(kind === "error" ? "said-note" : "said-error").textContent = "";
    box.className = kind;
    box.hidden = !line;
    clearTimeout(timer);
    if (kind !== "error") timer = setTimeout(hide, 6000);
  });
}

function keys() {
  document.addEventListener("keydown", (event) => {
    const writing = event.target.matches("input:not([type=radio]):not([type=checkbox]), textarea");
    if (writing || !(event.ctrlKey || event.metaKey) || !store.state) return;
    const key = event.key.toLowerCase();
    const kind = key === "y" || (key === "z" && event.shiftKey) ? "redo" : key === "z" ? "undo" : "";
    if (!kind) return;
    event.preventDefault();
    if (store.state[kind]) edit({ do: kind });
  });
}

byId("undo").addEventListener("click", () => edit({ do: "undo" }));
byId("redo").addEventListener("click", () => edit({ do: "redo" }));
const stop = (again) => () => post(`${plate(store.id)}/stop`, { again }).catch((error) =>
  say(error.message, "error"));
byId("stop").addEventListener("click", stop(false));
byId("again").addEventListener("click", stop(true));
byId("question-form").addEventListener("submit", ask);
messages();
theme();
tabs();
keys();
on("state", bar);
startPlate();
startFigure();
startTable();
startEditor();
startQuestions();
startKeep();
startHome();
