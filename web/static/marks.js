// Keeping a mark: the request, and the words of what was stored and where.

import { ask } from "./rest.js";
import { capital, clockTime, joined, listed, whole } from "./words.js";

// The job of marks that belong to none; its units are days.
const LOOSE = "Loose marks";

/** "Mark 17 kept 14:03:22", ", cold" where it is, and what is in it and where, from the daemon's answer. */
export function keptWords({ id, at, cold, job, unit, stage, levels }) {
  const seen = levels.filter((level) => level.role && (level.peak_white_mv ?? null) !== null);
  const what = listed(seen.map((level) => `${level.role} ${whole(level.peak_white_mv)}${level.held ? " (held)" : ""}`));
  const called = joined([unit.maker, unit.model, unit.serial], " ");
  const where = job.name === LOOSE ? `${LOOSE} of ${called}` : joined([job.name, called, stage.name], ", ");
  const when = at ? ` ${clockTime(Date.parse(at))}` : "";
  return { title: `Mark ${id} kept${when}${cold ? ", cold" : ""}`, more: joined([what && `${capital(what)}\u00a0mV`, where && `in ${where}`]) };
}

/** Whether this daemon keeps a bench book. Any answer but "not found" says that there is one, be it in trouble. */
export async function hasBook() {
  try {
    await ask("book");
    return true;
  } catch (error) {
    return error.status !== undefined && error.status !== 404;
  }
}

export class Marks {
  busy = false;

  /** `tell({title, more, kind, undo})` shows what became of it. */
  constructor(tell) {
    this.tell = tell;
  }

  /** Keep the daemon's present reading. A press while one is on its way is not a second mark. */
  async keep() {
    if (this.busy) return;
    this.busy = true;
    try {
      const mark = await ask("book/marks", "POST", {});
      this.tell({ ...keptWords(mark), undo: () => this.#takeBack(mark.id) });
    } catch (error) {
      this.tell({ title: "No mark was kept", more: error.message, kind: "act" });
    } finally {
      this.busy = false;
    }
  }

  async #takeBack(id) {
    try {
      await ask(`book/marks/${id}`, "DELETE");
      this.tell({ title: `Mark ${id} taken back`, more: "It stays in the book and can be restored there." });
    } catch (error) {
      this.tell({ title: `Mark ${id} was not taken back`, more: error.message, kind: "act" });
    }
  }
}
