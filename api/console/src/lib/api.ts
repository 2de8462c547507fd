import type { components, paths } from "./openapi";
import { t } from "../text/en";

/** The shapes of the OpenAPI document. */
export type Shapes = components["schemas"];

type Verb = "get" | "post" | "put" | "delete";
type Op<P extends keyof paths, V extends Verb> = paths[P] extends Record<V, infer O> ? O : never;
/** The paths that take a verb. */
export type With<V extends Verb> = { [P in keyof paths]: Op<P, V> extends { responses: unknown } ? P : never }[keyof paths];
type JSONOf<R> = R extends { content: { "application/json": infer J } } ? J : never;
type Good<O> = O extends { responses: infer R } ? JSONOf<R[keyof R & (200 | 201 | 202)]> : never;
type PathOf<O> = O extends { parameters: { path: infer X } } ? { path: X } : { path?: undefined };
type QueryOf<O> = O extends { parameters: { query?: infer X } } ? { query?: X } : { query?: undefined };
type BodyOf<O> = O extends { requestBody?: { content: { "application/json": infer B } } } ? { body?: B } : { body?: undefined };
type Args<O> = PathOf<O> & QueryOf<O> & BodyOf<O> & { signal?: AbortSignal; once?: string };

/** Problem is a refusal of the server, as problem details (RFC 9457). */
export class Problem extends Error {
  constructor(
    readonly status: number,
    readonly code: string,
    readonly detail: string,
    readonly more: Record<string, unknown>,
  ) {
    super(detail);
  }
}

/** NoServer says that the server did not answer at all. */
export class NoServer extends Error {}

/** inWords says what went wrong in the words of the shop. */
export function inWords(err: unknown): string {
  if (err instanceof NoServer) return t.error.noServer;
  if (err instanceof Problem) return (t.error.codes as Record<string, string>)[err.code] ?? err.detail;
  return t.error.broken;
}

/** onUnauthorized is called when the session is over. */
export const hooks = { unauthorized: () => {} };

/** Filled is what goes into an address. */
interface Filled {
  path?: object;
  query?: object;
}

/** address fills in the path and adds the query. */
export function address(path: string, args: Filled): string {
  const filled = path.replace(/\{(\w+)\}/g, (_, name: string) => encodeURIComponent(String((args.path as Record<string, unknown>)[name])));
  const query = new URLSearchParams();
  for (const [name, v] of Object.entries(args.query ?? {})) if (v !== undefined && v !== "") query.set(name, String(v));
  const text = query.toString();
  return text ? `${filled}?${text}` : filled;
}

/** newOnce returns a text for Idempotency-Key. Asking again with the same one does nothing twice. */
export function newOnce(): string {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");
}

/** Exchange is a request that need not be plain JSON, or goes by the entity tag of a document. */
export interface Exchange {
  media?: string; // of the text
  text?: string;
  accept?: string;
  match?: string; // If-Match: the version that must be the newest
  isNew?: boolean; // If-None-Match: *
  key?: string; // a key to go by, in place of the session
  once?: string; // Idempotency-Key
  signal?: AbortSignal;
}

/** Answered is what came of it: the text, and the entity tag of the document. */
export interface Answered {
  text: string;
  etag: string;
}

/** request asks the server, and returns the answer as it begins; what is refused is thrown as a Problem. */
export async function request(verb: string, url: string, e: Exchange = {}): Promise<Response> {
  const headers: Record<string, string> = { Accept: e.accept ?? "application/json" };
  if (e.text !== undefined) headers["Content-Type"] = e.media ?? "application/json";
  if (e.match) headers["If-Match"] = e.match;
  if (e.isNew) headers["If-None-Match"] = "*";
  if (e.key) headers["Authorization"] = `Bearer ${e.key}`;
  if (e.once) headers["Idempotency-Key"] = e.once;
  const answer = await orNoServer(fetch(url, { method: verb, headers, body: e.text ?? null, signal: e.signal ?? null }), e.signal);
  if (!answer.ok) throw refusal(answer.status, await orNoServer(answer.text(), e.signal));
  return answer;
}

/** orNoServer has what fails say that there is no server, unless it was called off. */
async function orNoServer<T>(asked: Promise<T>, signal?: AbortSignal): Promise<T> {
  try {
    return await asked;
  } catch (err) {
    throw signal?.aborted ? err : new NoServer();
  }
}

/** exchange asks the server, and returns the whole answer. */
export async function exchange(verb: string, url: string, e: Exchange = {}): Promise<Answered> {
  const answer = await request(verb, url, e);
  return { text: await orNoServer(answer.text(), e.signal), etag: answer.headers.get("ETag") ?? "" };
}

/** send asks the server, and returns the JSON that it answers, or undefined. */
export async function send(verb: string, url: string, body?: unknown, signal?: AbortSignal, once?: string): Promise<unknown> {
  const { text } = await exchange(verb.toUpperCase(), url, { text: body === undefined ? undefined : JSON.stringify(body), signal, once });
  return text ? JSON.parse(text) : undefined;
}

/** refusal makes a Problem of what the server answered. */
export function refusal(status: number, text: string): Problem {
  let more: Record<string, unknown> = {};
  try {
    more = JSON.parse(text) as Record<string, unknown>;
  } catch {
    // It is no problem document: something between the browser and the server answered.
  }
  const code = typeof more["code"] === "string" ? more["code"] : "";
  if (status === 401) hooks.unauthorized();
  return new Problem(status, code, typeof more["detail"] === "string" ? more["detail"] : t.error.status(status), more);
}

/** get asks a question of the public API: get("/v1/sites/{site}/picks", {path: {site}}). */
export function get<P extends With<"get">>(path: P, args: Args<Op<P, "get">>): Promise<Good<Op<P, "get">>> {
  return send("get", address(path, args as Filled), undefined, args.signal) as Promise<Good<Op<P, "get">>>;
}

/** post does something; give the same args.once to try the same again. */
export function post<P extends With<"post">>(path: P, args: Args<Op<P, "post">>): Promise<Good<Op<P, "post">>> {
  return send("post", address(path, args as Filled), args.body ?? {}, args.signal, args.once) as Promise<Good<Op<P, "post">>>;
}

/** put stores a document. */
export function put<P extends With<"put">>(path: P, args: Args<Op<P, "put">>): Promise<Good<Op<P, "put">>> {
  return send("put", address(path, args as Filled), args.body, args.signal) as Promise<Good<Op<P, "put">>>;
}

/** remove ends or deletes something. */
export async function remove<P extends With<"delete">>(path: P, args: Args<Op<P, "delete">>): Promise<void> {
  await send("delete", address(path, args as Filled), undefined, args.signal);
}
