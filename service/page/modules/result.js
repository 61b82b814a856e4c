/** The screen of one measurement: the photo with its outline, and the tabs beside or under it. */

import { getMeasurement, picture, Problem, rename, revise } from "./api.js";
import { CornerTool } from "./corners.js";
import { correctTab } from "./correct.js";
import { announce, h, notice, put } from "./dom.js";
import { Drawing, edgeName, frameOf, pieceName } from "./drawing.js";
import { Edits } from "./edits.js";
import { HintTool } from "./hints.js";
import { keepTab, when } from "./keep.js";
import { measuresTab } from "./measures.js";
import { notesTab, withNotes } from "./notes.js";
import { onPrefs, prefs } from "./prefs.js";
import { makeTabs } from "./tabs.js";
import { spoken } from "./units.js";
import { PhotoView } from "./view.js";

/** @typedef {import("./types.js").Resource} Resource */
/** @typedef {import("./types.js").Notes} Notes */
/** @typedef {import("./drawing.js").Selection} Selection */

const WIDTHS = [1280, 2560]; // of the scaled photos the service gives

/**
 * @param {HTMLElement} root
 * @param {string} id
 * @param {{revision: number | null, piece: string | null}} at
 * @param {import("./dom.js").Leaving} leaving
 */
export async function resultScreen(root, id, at, leaving) {
  put(root, h("p.loading", { role: "status" }, "Opening the measures…"));
  const screen = new Result(await getMeasurement(id, at.revision), at.piece);
  put(root, screen.element);
  screen.start();
  leaving.add(() => screen.close());
}

class Result {
  /** @param {Resource} resource @param {string | null} piece */
  constructor(resource, piece) {
    const { photo, pieces } = resource.measurement;
    this.resource = resource;
    this.edits = new Edits();
    /** @type {Record<string, Notes>} */
    this.drafts = {};
    this.busy = false;
    /** @type {Selection} */
    this.selection = { piece: pieces.find((one) => one.id === piece)?.id ?? pieces[0]?.id ?? "", edge: null };
    this.view = new PhotoView(photo.width_px, photo.height_px, "Photo with the outline. Arrow keys move it, plus and minus zoom, 0 shows all.");
    this.drawing = new Drawing(this.view, (selection) => this.select(selection));
    this.corners = new CornerTool(this.view, this.edits, () => this.correct?.drawCorner());
    this.hints = new HintTool(this.view, this.edits, () => this.resource.options.hints ?? {});
    this.edits.onChange = () => this.#edited();
    this.tabs = makeTabs("What to do", [
      { id: "measures", title: "Measures", show: (panel) => put(panel, measuresTab(this.#shown(), this.selection, prefs().unit, (selection) => this.select(selection))) },
      { id: "correct", title: "Correct", show: (panel) => this.#showCorrect(panel) },
      { id: "label", title: "Label", show: (panel) => this.#showNotes(panel) },
      { id: "keep", title: "Keep", show: (panel) => put(panel, keepTab(this.resource, (revision) => this.open(revision))) },
    ], () => this.#useTool(null));
    this.banner = h("div.banner");
    this.title = h("input.title", { type: "text", "aria-label": "Name of this measurement", maxlength: 80, value: resource.name, onchange: () => this.#rename() });
    this.element = h("div.result", {}, h("div.result-head", {}, h("a.back", { href: "#/", "aria-label": "Back to all photos" }, "‹"), this.title),
      this.banner, this.view.element, h("div.side", {}, this.tabs.list, this.tabs.panel));
    this.view.onTap = (place) => this.#tapped(this.drawing.hit(place));
    this.forget = onPrefs(() => this.redraw(true));
  }

  start() {
    this.#photo();
    const piece = this.resource.measurement.pieces.find(({ id }) => id === this.selection.piece);
    if (piece) this.view.fit(frameOf(this.resource.measurement.pieces));
    this.redraw(true);
    announce(piece ? `${pieceName(piece)}: area ${spoken(piece.area, prefs().unit)}, ${piece.edges.length} edges.` : "No piece was found.");
  }

  close() {
    this.forget();
    this.view.close();
  }

  /** @param {Selection} selection */
  select(selection) {
    const otherPiece = selection.piece !== this.selection.piece;
    this.selection = selection;
    const tab = this.tabs.current();
    const piece = this.#shown().pieces.find(({ id }) => id === selection.piece);
    const edge = piece?.edges.find(({ id }) => id === selection.edge);
    if (piece && edge) announce(`Edge ${edgeName(piece, edge.id)}, ${spoken(edge.length, prefs().unit)}`);
    this.redraw(false);
    if (tab === "label" && !otherPiece) this.notes?.drawEdge();
    else if (tab === "measures" || otherPiece) this.#renderTab();
    if (tab === "measures" && edge) this.tabs.panel.querySelector(".edge-card")?.scrollIntoView({ block: "nearest" });
  }

  /** @param {boolean} panelToo */
  redraw(panelToo) {
    this.drawing.draw(this.#shown(), this.selection, prefs().unit);
    if (panelToo) this.#renderTab();
    this.#banner();
  }

  /** @param {number | null} revision null: the latest */
  async open(revision) {
    await this.#work(async () => this.#take(await getMeasurement(this.resource.id, revision)));
  }

  /** @param {number} revision an older one, to become the latest again */
  async goBack(revision) {
    const done = await this.#work(async () => this.#take(await revise(this.resource.id, this.#latest(), { restore: revision })));
    if (done) announce(`Version ${revision} is the latest again.`);
  }

  /** @param {Record<string, any>} corrections */
  async #measureAgain(corrections) {
    const done = await this.#work(async () => this.#take(await revise(this.resource.id, this.resource.revision, corrections)));
    if (!done) return;
    this.corners.chosen = null;
    this.edits.clear();
    this.tabs.choose("measures");
    announce("Measured again. The earlier version is kept.");
  }

  async #saveNotes() {
    const drafts = this.drafts;
    const done = await this.#work(async () => this.#take(await revise(this.resource.id, this.resource.revision, { notes: drafts })));
    if (!done) return;
    this.drafts = {};
    this.#renderTab();
    announce("Saved.");
  }

  async #rename() {
    const name = this.title.value.trim();
    if (!name) this.title.value = this.resource.name;
    else if (await this.#work(async () => void (await rename(this.resource.id, name)))) this.resource.name = name;
  }

  /** Does something that may fail, and says so. @param {() => Promise<void>} act */
  async #work(act) {
    this.busy = true;
    this.problem = null;
    this.outdated = false;
    this.#renderBars();
    try {
      await act();
    } catch (problem) {
      this.problem = /** @type {Error} */ (problem).message;
      this.outdated = problem instanceof Problem && problem.status === 409;
    }
    this.busy = false;
    this.#renderBars();
    this.#banner();
    return !this.problem;
  }

  /** @param {Resource} resource */
  #take(resource) {
    this.resource = resource;
    const { pieces } = resource.measurement;
    if (!pieces.some(({ id }) => id === this.selection.piece)) this.selection = { piece: pieces[0]?.id ?? "", edge: null };
    const edges = pieces.find(({ id }) => id === this.selection.piece)?.edges ?? [];
    if (!edges.some(({ id }) => id === this.selection.edge)) this.selection.edge = null;
    this.redraw(true);
  }

  #latest() {
    return Math.max(...this.resource.revisions.map(({ revision }) => revision));
  }

  #shown() {
    const { measurement } = this.resource;
    return { ...measurement, pieces: measurement.pieces.map((piece) => withNotes(piece, this.drafts)) };
  }

  #banner() {
    const latest = this.#latest();
    const shown = this.resource.revisions.find(({ revision }) => revision === this.resource.revision);
    put(this.banner,
      this.problem ? notice("error", this.problem, h("div.row", {}, this.outdated
        ? h("button.plain.small", { type: "button", onclick: () => this.open(null) }, "Fetch it again")
        : h("button.plain.small", { type: "button", onclick: () => { this.problem = null; this.#banner(); } }, "Close"))) : null,
      this.resource.revision < latest ? notice("note", `This is version ${this.resource.revision} of ${latest}, of ${shown ? when(shown.created) : "earlier"}.`,
        h("div.row", {}, h("button.plain.small", { type: "button", onclick: () => this.goBack(this.resource.revision) }, "Go back to it"), h("button.plain.small", { type: "button", onclick: () => this.open(null) }, "Show the latest"))) : null);
  }

  async #photo() {
    const base = `/v1/measurements/${this.resource.id}/photo`;
    const { width } = this.view.size;
    let loaded = 0;
    const load = async (/** @type {number} */ wanted) => {
      if (wanted <= loaded) return;
      loaded = wanted;
      try {
        this.view.show(await picture(wanted < width ? `${base}?width=${wanted}` : base));
      } catch (problem) {
        this.problem = `The photo can't be shown. ${/** @type {Error} */ (problem).message}`;
        this.#banner();
      }
    };
    this.view.onNeed = (pixels) => load([...WIDTHS.filter((one) => one < width), width].find((one) => one >= pixels) ?? width);
    await load(Math.min(WIDTHS[0], width));
  }

  /** @param {Selection | null} hit */
  #tapped(hit) {
    if (hit) this.select(hit);
    else if (this.selection.edge) this.select({ ...this.selection, edge: null });
  }

  /** @param {HTMLElement} panel */
  #showCorrect(panel) {
    if (this.resource.revision < this.#latest()) return put(panel, h("p", {}, "This is an older version. Go back to it or show the latest to correct it."));
    this.correct = correctTab({
      corners: this.corners, hints: this.hints, edits: this.edits, pieces: () => this.#shown().pieces, selection: () => this.selection,
      select: (selection) => { this.corners.chosen = null; this.select(selection); }, choose: (tool) => this.#useTool(tool), busy: () => this.busy,
      measureAgain: () => this.#measureAgain(this.edits.corrections(this.resource.options.hints)), options: this.resource.options, measureWith: (corrections) => this.#measureAgain(corrections),
    });
    put(panel, this.correct.content);
  }

  /** @param {HTMLElement} panel */
  #showNotes(panel) {
    if (this.resource.revision < this.#latest()) return put(panel, h("p", {}, "This is an older version. Go back to it or show the latest to label it."));
    this.notes = notesTab({
      pieces: () => this.#shown().pieces, selection: () => this.selection, select: (selection) => this.select(selection), drafts: this.drafts,
      unit: () => prefs().unit, redraw: () => this.redraw(false), save: () => this.#saveNotes(), busy: () => this.busy,
    });
    put(panel, this.notes.content);
  }

  /** @param {string | null} tool of the Correct tab; null: none */
  #useTool(tool) {
    const hinting = tool === "cloth" || tool === "not";
    this.view.tool = hinting ? this.hints : tool ? this.corners : {};
    this.view.stage.classList.toggle("hinting", hinting);
    this.drawing.labelled = tool === null;
    this.corners.clear();
    this.hints.clear();
    if (tool) this.#drawTools();
    this.redraw(false);
  }

  #drawTools() {
    const piece = this.#shown().pieces.find(({ id }) => id === this.selection.piece);
    if (piece && this.view.tool === this.corners) this.corners.draw(piece);
    if (this.view.tool === this.hints) this.hints.draw();
  }

  #edited() {
    if (this.tabs.current() !== "correct") return;
    this.#drawTools();
    this.correct?.drawWaiting();
  }

  #renderTab() {
    this.tabs.render();
  }

  #renderBars() {
    if (this.tabs.current() === "correct") this.correct?.drawWaiting();
    if (this.tabs.current() === "label") this.notes?.drawSave();
  }
}
