/** Photos taken without a connection: kept in the browser's own database, sent when the service can be reached. */

import { isReachable, measurePhoto, Problem } from "./api.js";

/** @typedef {{key?: number, name: string, photo: Blob, options: Record<string, any>, taken: string, problem: string}} Waiting */

const NAME = "flatmeasure";
const STORE = "waiting";
const RETRY_MS = 5_000; // a small question only: nothing is uploaded until it is answered

/** @returns {Promise<IDBDatabase>} */
function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "key", autoIncrement: true });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/**
 * @template T
 * @param {IDBTransactionMode} mode
 * @param {(store: IDBObjectStore) => IDBRequest<T>} act
 * @returns {Promise<T>}
 */
async function within(mode, act) {
  const database = await open();
  try {
    return await new Promise((resolve, reject) => {
      const request = act(database.transaction(STORE, mode).objectStore(STORE));
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  } finally {
    database.close();
  }
}

export class Queue {
  /** @type {(sent: import("./types.js").Resource | null) => void} told whenever something changed */
  onChange = () => {};
  #sending = false;

  start() {
    const send = () => void this.send();
    window.addEventListener("online", send);
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && send());
    setInterval(send, RETRY_MS);
    send();
  }

  /** @returns {Promise<Waiting[]>} */
  async list() {
    return within("readonly", (store) => store.getAll());
  }

  /** @param {Blob} photo @param {string} name @param {Record<string, any>} options */
  async keep(photo, name, options) {
    // the bytes, not the file: a file chosen from the camera may be gone by the time it is sent
    const copy = new Blob([await photo.arrayBuffer()], { type: photo.type });
    await within("readwrite", (store) => store.add({ name, photo: copy, options, taken: new Date().toISOString(), problem: "" }));
    this.onChange(null);
  }

  /** @param {number} key */
  async drop(key) {
    await within("readwrite", (store) => store.delete(key));
    this.onChange(null);
  }

  /** Sends what waits, the oldest first, until the service can't be reached. */
  async send() {
    if (this.#sending) return;
    this.#sending = true;
    try {
      const waiting = (await this.list()).filter(({ problem }) => !problem);
      if (!waiting.length || !(await isReachable())) return;
      for (const one of waiting) if (!(await this.#sendOne(one))) break;
    } finally {
      this.#sending = false;
    }
  }

  /** @param {Waiting} one @returns {Promise<boolean>} whether it is worth going on */
  async #sendOne(one) {
    try {
      const resource = await measurePhoto(one.photo, one.name, one.options, () => {}, new AbortController().signal);
      await within("readwrite", (store) => store.delete(/** @type {number} */ (one.key)));
      this.onChange(resource);
      return true;
    } catch (problem) {
      if (!(problem instanceof Problem) || problem.isPassing) return false;
      await within("readwrite", (store) => store.put({ ...one, problem: problem.message }));
      this.onChange(null);
      return true;
    }
  }
}
