/** Questions that stop for an answer. */

import { field, h } from "./dom.js";

/**
 * @param {string} question
 * @param {string} detail
 * @param {string} yes what the button that does it says
 * @returns {Promise<boolean>}
 */
export function confirmed(question, detail, yes) {
  return new Promise((resolve) => {
    const dialog = h("dialog", { "aria-labelledby": "dialog-title" },
      h("h2", { id: "dialog-title" }, question), h("p", {}, detail),
      h("form.row", { method: "dialog" }, h("button.plain", { value: "no", autofocus: true }, "Keep it"), h("button.danger", { value: "yes" }, yes)));
    open(dialog, () => resolve(dialog.returnValue === "yes"));
  });
}

/** Asks for the service's access word. @returns {Promise<string>} empty when none was given */
export function askToken() {
  return new Promise((resolve) => {
    const input = h("input", { type: "password", autocomplete: "current-password" });
    const dialog = h("dialog", { "aria-labelledby": "dialog-title" },
      h("h2", { id: "dialog-title" }, "This service is locked"),
      h("form", { method: "dialog" },
        field("Access token", input, "Whoever runs the service has it. It is kept on this device only."),
        h("div.row", {}, h("button.plain", { value: "no", formnovalidate: true }, "Not now"), h("button.main", { value: "yes" }, "Unlock"))));
    open(dialog, () => resolve(dialog.returnValue === "yes" ? input.value.trim() : ""));
  });
}

/** @param {HTMLDialogElement} dialog @param {() => void} closed */
function open(dialog, closed) {
  document.body.append(dialog);
  dialog.addEventListener("close", () => {
    dialog.remove();
    closed();
  });
  dialog.showModal();
}
