/** The service's HTTP interface: requests, problems, jobs, pictures. */

import { prefs } from "./prefs.js";

/** @typedef {import("./types.js").Resource} Resource */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Answer} Answer */
/** @typedef {(share: number, step: string) => void} Watch */

const POLL_MS = 350;

/** What went wrong, in the service's own sentence. */
export class Problem extends Error {
  /** @param {number} status 0 when the service was not reached @param {string} detail @param {string} code */
  constructor(status, detail, code = "") {
    super(detail);
    this.status = status;
    this.code = code;
  }
  get offline() {
    return this.status === 0;
  }
  /** Whether the same may work later: no connection, no token yet, or the service is busy. */
  get isPassing() {
    return [0, 401, 429, 502, 503, 504].includes(this.status);
  }
}

/** @returns {Record<string, string>} */
function authorised() {
  const { token } = prefs();
  return token ? { Authorization: `Bearer ${token}` } : {};
}

/**
 * @param {string} path
 * @param {RequestInit} [init]
 * @returns {Promise<Response>} an answer below 400
 */
async function request(path, init = {}) {
  let response;
  try {
    response = await fetch(path, { ...init, headers: { ...authorised(), ...init.headers } });
  } catch {
    throw new Problem(0, "The measuring service can't be reached. Check the connection and try again.");
  }
  if (!response.ok) throw problemOf(response.status, await response.text());
  return response;
}

/** @param {number} status @param {string} text */
function problemOf(status, text) {
  if (status === 401) window.dispatchEvent(new Event("flatmeasure-locked"));
  try {
    const { detail, title, code } = JSON.parse(text);
    return new Problem(status, String(detail ?? title), code);
  } catch {
    return new Problem(status, `The service answered with status ${status}. Try again in a moment.`);
  }
}

/** Whether the service answers at all. */
export async function isReachable() {
  try {
    return (await fetch("/health/live", { cache: "no-store" })).ok;
  } catch {
    return false;
  }
}

/** @param {string} path @param {RequestInit} [init] @returns {Promise<any>} */
export async function getJson(path, init) {
  return (await request(path, init)).json();
}

/** @param {string} path @param {string} method @param {any} body @param {Record<string, string>} [headers] @returns {Promise<Response>} */
function sendJson(path, method, body, headers = {}) {
  return request(path, { method, body: JSON.stringify(body), headers: { "Content-Type": "application/json", ...headers } });
}

/** @param {string} path */
export async function remove(path) {
  await request(path, { method: "DELETE" });
}

/** Object URLs of pictures by path, the oldest given back. @type {Map<string, Promise<string>>} */
const pictures = new Map();
const MOST_PICTURES = 80;

/**
 * A picture's blob: URL. Fetched rather than linked, because an <img> can't carry the token.
 * @param {string} path
 * @returns {Promise<string>}
 */
export function picture(path) {
  let known = pictures.get(path);
  if (!known) {
    known = request(path).then((response) => response.blob()).then((blob) => URL.createObjectURL(blob));
    known.catch(() => pictures.delete(path));
    pictures.set(path, known);
    if (pictures.size > MOST_PICTURES) {
      const [oldest, url] = /** @type {[string, Promise<string>]} */ (pictures.entries().next().value);
      pictures.delete(oldest);
      url.then(URL.revokeObjectURL, () => {});
    }
  }
  return known;
}

/** Saves what a link leads to, under the name the service gives it. @param {string} path @param {string} name */
export async function download(path, name) {
  const blob = await (await request(path)).blob();
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

/**
 * Sends a photo and waits for its measurement.
 * @param {Blob} photo
 * @param {string} name
 * @param {Record<string, any>} options
 * @param {Watch} watch
 * @param {AbortSignal} signal
 * @returns {Promise<Resource>}
 */
export async function measurePhoto(photo, name, options, watch, signal) {
  const form = new FormData();
  form.append("photo", photo, name);
  form.append("options", JSON.stringify(options));
  const sent = await upload("/v1/measurements", form, (share) => watch(share * 0.3, share < 1 ? "sending the photo" : "looking at the photo"), signal);
  if (sent.status !== 202) return sent.body;
  const job = await finished(sent.body, (share, step) => watch(0.3 + 0.7 * share, step), signal);
  return getMeasurement(/** @type {string} */ (job.measurement));
}

/**
 * POST of a form with the share that is sent, which fetch can't tell.
 * @param {string} path
 * @param {FormData} form
 * @param {(share: number) => void} sent
 * @param {AbortSignal} signal
 * @returns {Promise<{status: number, body: any}>}
 */
function upload(path, form, sent, signal) {
  return new Promise((resolve, reject) => {
    const call = new XMLHttpRequest();
    call.open("POST", path);
    for (const [key, value] of Object.entries(authorised())) call.setRequestHeader(key, value);
    call.setRequestHeader("Prefer", "respond-async");
    call.upload.onprogress = (event) => event.lengthComputable && sent(event.loaded / event.total);
    call.onload = () => {
      if (call.status >= 400) reject(problemOf(call.status, call.responseText));
      else resolve({ status: call.status, body: JSON.parse(call.responseText) });
    };
    call.onerror = () => reject(new Problem(0, "The measuring service can't be reached. The photo is kept and sent when the connection is back."));
    call.onabort = () => reject(new DOMException("stopped", "AbortError"));
    signal.addEventListener("abort", () => call.abort());
    call.send(form);
  });
}

/**
 * Waits for a job; a stopped wait stops the job.
 * @param {Job} job
 * @param {Watch} watch
 * @param {AbortSignal} signal
 * @param {boolean} [givesBest] whether a stopped job still comes to something, to be waited for
 * @returns {Promise<Job>}
 */
async function finished(job, watch, signal, givesBest = false) {
  const path = `/v1/jobs/${job.id}`;
  let stopped = false;
  for (let now = job; ; now = await getJson(path)) {
    if (signal.aborted && !stopped) {
      stopped = true;
      await remove(path).catch(() => {});
      if (!givesBest) throw new DOMException("stopped", "AbortError");
    }
    if (now.state === "done") return now;
    if (now.state === "failed") throw new Problem(now.problem?.status ?? 422, now.problem?.detail ?? "The work failed. Try again.", now.problem?.code);
    watch(now.progress ?? 0, now.step ?? "");
    await new Promise((resolve) => setTimeout(resolve, POLL_MS));
  }
}

/** @param {string} id @param {number | null} [revision] @returns {Promise<Resource>} */
export function getMeasurement(id, revision = null) {
  return getJson(`/v1/measurements/${encodeURIComponent(id)}${revision ? `?revision=${revision}` : ""}`);
}

/** @param {string} id @param {number} base @param {Record<string, any>} corrections @param {AbortSignal} [signal] @returns {Promise<Resource>} */
export async function revise(id, base, corrections, signal = new AbortController().signal) {
  const response = await sendJson(`/v1/measurements/${encodeURIComponent(id)}/revisions`, "POST", { base, corrections });
  const body = await response.json();
  if (response.status !== 202) return body;
  const job = await finished(body, () => {}, signal);
  return getMeasurement(/** @type {string} */ (job.measurement));
}

/** @param {string} id @param {string} name @returns {Promise<any>} */
export async function rename(id, name) {
  return (await sendJson(`/v1/measurements/${encodeURIComponent(id)}`, "PATCH", { name })).json();
}

/**
 * Asks whether the cloth is enough; stopped, the best so far is the answer.
 * @param {Record<string, any>} question
 * @param {File | null} patternFile
 * @param {Watch} watch
 * @param {AbortSignal} signal
 * @returns {Promise<Answer>}
 */
export async function ask(question, patternFile, watch, signal) {
  const prefer = { Prefer: "respond-async" };
  let response;
  if (patternFile) {
    const form = new FormData();
    form.append("pattern", patternFile, patternFile.name);
    form.append("request", JSON.stringify(question));
    response = await request("/v1/answers", { method: "POST", body: form, headers: prefer });
  } else {
    response = await sendJson("/v1/answers", "POST", question, prefer);
  }
  const body = await response.json();
  if (response.status !== 202) return body;
  const job = await finished(body, watch, signal, true);
  return getJson(`/v1/answers/${job.answer}`);
}
