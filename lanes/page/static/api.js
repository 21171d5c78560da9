// Talking to the server. Every failure becomes an Error whose message is the server's one line.

async function answerOf(response) {
  let values = null;
  try {
    values = await response.json();
  } catch {
    values = null;
  }
  if (!response.ok) {
    const error = new Error(values?.error ?? `the server answered ${response.status}`);
    error.status = response.status;
    throw error;
  }
  return values;
}

async function send(path, options = {}) {
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    const error = new Error(
      "the program does not answer: start lanes page again; your draft is kept");
    error.status = 0;
    throw error;
  }
  return answerOf(response);
}

export const get = (path, options) => send(path, options);

export const post = (path, values = {}) =>
  send(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(values),
  });

export const upload = (file) =>
  send(`/api/plates?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file });

export const plate = (id) => `/api/plates/${id}`;
