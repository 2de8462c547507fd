// Readers that act as a keyboard ("wedge"): what they send goes to the count, wherever the focus is. A field in
// which a person types gets their keys, a moment later: they are held until it is plain whose they are.

const quick = 50; // ms between keys in a field, within which no person types many
const slow = 300; // after such a pause a tag is over where no Enter comes
const slowest = 3000; // the same of what is no whole tag yet: a busy device, or a weak radio link
const lately = 2000; // for so long after a tag the next one is expected, and a busy device may be slow with it
const least = 8; // so many quick keys are no person's
const fewest = 4; // characters of what is taken outside of fields

type Field = HTMLInputElement | HTMLTextAreaElement | HTMLSelectElement;

const typed = new Set(["text", "search", "number", "email", "tel", "url", "password", "date", "time"]);

function fieldOf(e: Event): Field | undefined {
  const at = e.composedPath()[0];
  if (at instanceof HTMLTextAreaElement || at instanceof HTMLSelectElement) return at;
  return at instanceof HTMLInputElement && typed.has(at.type) ? at : undefined;
}

/** whole reports whether a text may be all of a tag: 96 bits and more, in whole words. */
function whole(text: string): boolean {
  return !/^[0-9a-f]+$/i.test(text) || (text.length >= 24 && text.length % 4 === 0);
}

/** mayBecomeTag reports whether a text may be how a tag begins. */
function mayBecomeTag(text: string): boolean {
  return /^(?:[0-9a-f]*|0x.*|u(?:r(?:n.*)?)?|\(.*|h(?:t(?:t.*)?)?)$/i.test(text);
}

/** tagLike reports whether a text that came at once looks like a tag and not like a word. */
function tagLike(text: string): boolean {
  return /^(?:[0-9a-f]{8,}|urn:epc:.*|\(0[01]\).*|https?:.*)([\s,;|]+-\d+.*)?$/i.test(text.trim());
}

let takers: ((line: string) => void)[] = []; // the last one is given the lines
let listening = false;
let text = ""; // what came since the last tag
let held = ""; // what of it was not let through
let field: Field | undefined; // where the focus is
let last = 0; // when the last key came
let longest = 0; // the longest pause between two keys, ms
let taken = -Infinity; // when a tag came last
let down = false; // the key that is down was not let through
let giving = false;
let given = ""; // what went into a field, key by key
let givenTo: Field | undefined;
let timer: ReturnType<typeof setTimeout> | undefined;

const scan = () => (field ? text.length >= least && (longest <= quick || tagLike(text)) : text.length >= fewest);

const patience = () => {
  if (field && !scan()) return last - taken < lately && mayBecomeTag(text) ? slow : quick;
  return field || whole(text) ? slow : slowest;
};

function clear(): void {
  text = held = "";
  longest = 0;
  field = undefined;
}

function accept(): void {
  const line = text;
  taken = last;
  clear();
  takers.at(-1)?.(line);
}

/** giveBack has a person's keys go where they were meant to. */
function giveBack(): void {
  const [at, keys] = [field, held];
  clear();
  if (!at || !keys) return;
  if (at instanceof HTMLSelectElement) {
    const found = [...at.options].findIndex((o) => o.text.toLowerCase().startsWith(keys.toLowerCase()));
    if (found >= 0) {
      at.selectedIndex = found;
      at.dispatchEvent(new Event("change", { bubbles: true }));
    }
    return;
  }
  given = (at === givenTo ? given.slice(-600) : "") + keys;
  givenTo = at;
  giving = true;
  at.focus();
  document.execCommand("insertText", false, keys); // so that it can be undone, as what is typed
  giving = false;
}

/** rescue takes a tag out of a field again: its reader was as slow as a person. */
function rescue(e: KeyboardEvent): boolean {
  const at = givenTo;
  const tag = /[0-9a-f]{24,}$/i.exec(given)?.[0];
  given = "";
  if (!tag || tag.length % 4 !== 0 || !at || at instanceof HTMLSelectElement || at !== fieldOf(e) || e.timeStamp - last > slowest) return false;
  const caret = at.selectionStart ?? 0;
  if (!at.value.slice(0, caret).endsWith(tag)) return false;
  at.setRangeText("", caret - tag.length, caret, "end");
  at.dispatchEvent(new Event("input", { bubbles: true }));
  takers.at(-1)?.(tag);
  return true;
}

const end = () => (scan() ? accept() : giveBack());

function watch(): void {
  timer = undefined;
  if (!text) return;
  const left = patience() - (performance.now() - last);
  if (left > 0) timer = setTimeout(watch, left);
  else end();
}

function hold(e: Event): void {
  down = true;
  e.preventDefault();
  e.stopImmediatePropagation();
}

function key(e: KeyboardEvent): void {
  if (e.key === "Shift" || e.key === "CapsLock") return;
  down = false;
  const at = fieldOf(e);
  if (text && (at !== field || e.timeStamp - last > patience())) end();
  if (e.isComposing || e.ctrlKey || e.metaKey || (e.altKey && !e.getModifierState("AltGraph"))) return giveBack();
  if (e.key === "Enter" || e.key === "Tab") {
    if (!text || !scan()) {
      giveBack();
      if (rescue(e)) hold(e);
      return;
    }
    if (takers.length) hold(e);
    accept();
    return;
  }
  if ([...e.key].length !== 1) return giveBack();
  if (!at && (e.repeat || (e.key === " " && !text))) return; // Space presses a button
  if (takers.length) {
    hold(e);
    held += e.key;
  }
  if (text) longest = Math.max(longest, e.timeStamp - last);
  field = at;
  text += e.key;
  last = e.timeStamp;
  timer ??= setTimeout(watch, patience());
}

/** character is a key's character where software makes it on its own. */
function character(e: KeyboardEvent): void {
  if (down) hold(e);
}

/** atOnce is a whole tag that a handheld gives to a field, as a keyboard on the screen gives a word. */
function atOnce(e: InputEvent): void {
  if (giving || !takers.length || e.inputType !== "insertText" || !e.data || e.data.length < least || !tagLike(e.data)) return;
  e.preventDefault();
  for (const line of e.data.split(/[\r\n]+/)) takers.at(-1)?.(line);
}

function paste(e: ClipboardEvent): void {
  const lines = e.clipboardData?.getData("text/plain") ?? "";
  if (fieldOf(e) || !lines || !takers.length) return;
  e.preventDefault();
  for (const line of lines.split(/[\r\n]+/)) takers.at(-1)?.(line);
}

/** listenToWedge calls take with each line that a reader sends, until what it returns is called. A tag of which
 * the first keys came while nobody listened, as one page made way for the next, is whole all the same. */
export function listenToWedge(take: (line: string) => void): () => void {
  takers.push(take);
  if (!listening) {
    listening = true;
    addEventListener("keydown", key, true);
    addEventListener("keypress", character, true);
    addEventListener("beforeinput", atOnce, true);
    addEventListener("paste", paste, true);
  }
  return () => void (takers = takers.filter((f) => f !== take));
}
