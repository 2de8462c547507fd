import { exchange, get, newOnce, post, type Shapes } from "./api";
import { t } from "../text/en";

export type Channel = Shapes["Channel"];

/** Kind is a usual kind of receiver: what its form asks, and what it begins with. */
export interface Kind {
  id: "webhook" | "cloudevents" | "chat" | "ticket" | "own";
  format: Channel["format"];
  template?: unknown;
  escape?: Channel["escape"];
  signed: boolean; // the receiver checks a signature
}

export const kinds: readonly Kind[] = [
  { id: "chat", format: "template", template: { text: "{data.alert.say}" }, escape: "angle", signed: false },
  {
    id: "ticket",
    format: "template",
    template: { title: "{data.alert.say}", details: "{data.product.name}, {data.alert.zone}", urgency: "{data.alert.severity}", reference: "{id}" },
    signed: false,
  },
  { id: "webhook", format: "webhook", signed: true },
  { id: "cloudevents", format: "cloudevents", signed: true },
  { id: "own", format: "template", template: { text: "{data.alert.say}", id: "{id}" }, signed: true },
];

/** kindWords says what kind a channel that is there is. */
export function kindWords(c: Channel): string {
  return t.messages.formats[c.format];
}

/** newSecret makes a signing secret as Standard Webhooks 1.0 has it: 32 random bytes. */
export function newSecret(): string {
  return `whsec_${btoa(String.fromCharCode(...crypto.getRandomValues(new Uint8Array(32))))}`;
}

/** List is the document of channels, and its entity tag. */
export interface List {
  channels: Channel[];
  etag: string;
  version: number; // 0: none was stored
}

export async function loadChannels(signal?: AbortSignal): Promise<List> {
  const a = await exchange("GET", "/v1/channels", { signal });
  return { channels: (JSON.parse(a.text) as Shapes["Channels"]).channels, etag: a.etag, version: Number(a.etag.replace(/\D/g, "")) };
}

/** storeChannels stores the list if it is still as it was, and returns its new version and what is odd about it.
 * The template of a channel is a text, which goes into the document as it was typed. */
export async function storeChannels(list: List, next: string): Promise<Shapes["ChannelsSaved"]> {
  const a = await exchange("PUT", "/v1/channels", { text: next, match: list.version > 0 ? list.etag : undefined, isNew: list.version === 0 });
  return JSON.parse(a.text) as Shapes["ChannelsSaved"];
}

/** textOf writes a channel on one line, and its template on the lines from the second on, as it was typed: so
 * what is wrong with the template is said by its own lines. */
export function textOf(c: Channel, template: string | undefined): string {
  const { template: _, ...rest } = c;
  const head = JSON.stringify(rest);
  return template === undefined ? head : `${head.slice(0, -1)},"template":\n${template}\n}`;
}

/** restoreChannels goes back to a version, and returns the one that this became. */
export async function restoreChannels(version: number): Promise<number> {
  return (await post("/v1/channels/restore", { body: { version }, once: newOnce() })).version;
}

/** Sender is a rule: which channels it sends to, and what it says in words. */
export interface Sender {
  name: string;
  words: string;
  send: string[];
}

export async function senders(signal?: AbortSignal): Promise<Sender[]> {
  const rules = (await get("/v1/rules", { query: { format: "json" }, signal })) as Shapes["RulesView"];
  return rules.rules.map((r) => ({ name: r.name, words: r.words, send: r.send ?? [] }));
}
