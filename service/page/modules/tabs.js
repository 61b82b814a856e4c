/** Tabs by the usual pattern: arrow keys choose, Tab goes on into the panel. */

import { h, put } from "./dom.js";

/**
 * @param {string} label of the list
 * @param {{id: string, title: string, show: (panel: HTMLElement) => void}[]} entries
 * @param {(id: string) => void} onChange
 */
export function makeTabs(label, entries, onChange) {
  const panel = h("div.panel", { role: "tabpanel", id: "tab-panel", tabindex: -1 });
  let current = entries[0].id;
  const buttons = entries.map(({ id, title }) =>
    h("button.tab", { type: "button", role: "tab", id: `tab-${id}`, "aria-controls": "tab-panel", onclick: () => choose(id) }, title));
  const list = h("div.tabs", { role: "tablist", "aria-label": label, onkeydown: keys }, buttons);

  function place() {
    return entries.findIndex(({ id }) => id === current);
  }

  /** @param {KeyboardEvent} event */
  function keys(event) {
    const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!way) return;
    event.preventDefault();
    const next = (place() + way + entries.length) % entries.length;
    choose(entries[next].id);
  }

  /** @param {string} id */
  function choose(id) {
    current = id;
    onChange(id);
    render();
    panel.scrollTop = 0;
    if (list.contains(document.activeElement)) buttons[place()].focus();
  }

  function render() {
    entries.forEach((entry, k) => {
      const chosen = entry.id === current;
      buttons[k].setAttribute("aria-selected", String(chosen));
      buttons[k].tabIndex = chosen ? 0 : -1;
    });
    panel.setAttribute("aria-labelledby", `tab-${current}`);
    const [focused, scrolled] = [panel.contains(document.activeElement) ? document.activeElement : null, panel.scrollTop];
    put(panel);
    entries[place()].show(panel);
    panel.scrollTop = scrolled;
    if (focused) refocus(focused);
  }

  /** What was rebuilt under the focus keeps it; when it is gone, its tab takes it. @param {Element} before */
  function refocus(before) {
    const key = before.getAttribute("data-key");
    const again = key ? panel.querySelector(`[data-key="${CSS.escape(key)}"]`) : null;
    (again ?? buttons[place()]).focus({ preventScroll: true });
  }

  return { list, panel, choose, render, current: () => current };
}
