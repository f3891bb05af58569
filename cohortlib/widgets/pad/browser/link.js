// Between the hand and the store: one change at a time, and nothing is called saved before the store has it.

/** Kernel time without an answer after which the reader is told [ms]. */
const PATIENCE_MS = 4000;

class Link {
  constructor(model, changed) {
    this.model = model;
    this.changed = changed;
    this.waiting = []; // not answered yet, in order
    this.sent = model.get("scene").heard;
    this.late = false;
  }

  /** Ask for an action; `mark` is what is drawn as not saved until the answer comes. */
  ask(action, given = {}) {
    this.waiting.push({ action, given });
    if (this.waiting.length === 1) this.send();
    this.changed();
  }

  send() {
    const [next] = this.waiting;
    if (!next) return;
    this.sent = Math.max(this.sent, this.model.get("scene").heard) + 1;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.complain(), PATIENCE_MS);
    try {
      this.model.send({ action: next.action, given: next.given, number: this.sent });
    } catch {
      this.complain();
    }
  }

  complain() {
    this.late = true;
    this.changed();
  }

  /** The kernel's answer is there. A refusal drops what was waiting behind it: it was meant for another state. */
  heard(scene) {
    if (!this.waiting.length || scene.heard < this.sent) return;
    clearTimeout(this.timer);
    this.late = false;
    this.waiting.shift();
    if (scene.notice) this.waiting = [];
    this.send();
  }

  get words() {
    const number = this.waiting.length;
    if (!number) return { state: "saved", words: "✓ All saved" };
    if (!this.late) return { state: "saving", words: "… Saving" };
    const what = number === 1 ? "1 change is" : `${number} changes are`;
    return { state: "lost", words: `! NOT SAVED: ${what} waiting, the kernel does not answer. Run the cell again: what was saved is there.` };
  }
}
