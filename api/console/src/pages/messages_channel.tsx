import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { address, exchange, get, inWords, newOnce, post, Problem } from "../lib/api";
import { kinds, kindWords, loadChannels, newSecret, restoreChannels, senders, storeChannels, type Channel, type Kind, type List, type Sender, textOf } from "../lib/channels";
import { faults, type Diagnostic as Fault } from "../lib/documents";
import { go, to } from "../lib/router";
import { may, session } from "../lib/session";
import { useStore } from "../lib/store";
import { now } from "../lib/time";
import { Loading, Note } from "../parts/answer";
import { Editor } from "../parts/editor";
import type { CompletionSource, Diagnostic } from "../parts/editor_open";
import { Choice, Copied, Faults, Field, Several, useAct, Wrong } from "../parts/fields";
import { t } from "../text/en";
import type { Done } from "./messages";

/** ChannelForm adds a channel, or changes the one that is named. */
export function ChannelForm(props: { name: string | undefined; stored: (d: Done) => void }): JSX.Element {
  const [got, set] = useState<{ list: List; rules: Sender[] }>();
  const [error, fail] = useState<unknown>();
  const load = () => {
    fail(undefined);
    Promise.all([loadChannels(), senders().catch((err: unknown) => (err instanceof Problem && err.status === 404 ? [] : Promise.reject(err)))]).then(
      ([list, rules]) => set({ list, rules }),
      fail,
    );
  };
  useEffect(load, []);
  const back = (
    <p>
      <a href={to("messages")}>{t.messages.toChannels}</a>
    </p>
  );
  if (error !== undefined) return <Note kind="bad" title={inWords(error)} again={load} />;
  if (!got) return <Loading />;
  const had = got.list.channels.find((c) => c.name === props.name);
  if (props.name && !had) return <>{back}<Note title={t.messages.gone(props.name)} /></>;
  return (
    <>
      {back}
      <h2>{had ? t.messages.changeOf(had.name) : t.messages.add}</h2>
      <Form had={had} list={got.list} rules={got.rules} stored={props.stored} />
    </>
  );
}

const overlap = 24 * 3600_000; // for which an old secret signs beside a new one, milliseconds

function Form(props: { had: Channel | undefined; list: List; rules: Sender[]; stored: (d: Done) => void }): JSX.Element {
  const { had } = props;
  const list = useRef(props.list);
  const [kind, setKind] = useState<Kind>(had ? { id: "own", format: had.format, signed: !!had.secrets?.length } : kinds[0]!);
  const [name, setName] = useState(had?.name ?? "");
  const [url, setURL] = useState(had?.url ?? "");
  const [token, setToken] = useState("");
  const [inBody, setInBody] = useState("");
  const [secret, setSecret] = useState(had ? "" : newSecret());
  const [template, setTemplate] = useState(JSON.stringify(had?.template ?? kinds[0]!.template, null, 2));
  const [escape, setEscape] = useState<string>(had ? (had.escape ?? "") : (kinds[0]!.escape ?? ""));
  const [types, setTypes] = useState(had?.types?.join(",") ?? "");
  const [about, setAbout] = useState(had?.about_channels ? ["yes"] : []);
  const [stopped, setStopped] = useState(had?.disabled ? ["yes"] : []);
  const [from, setFrom] = useState(() => props.rules.filter((r) => had && r.send.includes(had.name)).map((r) => r.name));
  const [tried, setTried] = useState(false);
  const act = useAct();
  const hasTemplate = kind.format === "template";

  const choose = (id: Kind["id"]) => {
    const next = kinds.find((k) => k.id === id)!;
    setKind(next);
    setEscape(next.escape ?? "");
    if (next.template) setTemplate(JSON.stringify(next.template, null, 2));
  };
  const wrongName = !/^[a-z0-9-]{1,64}$/.test(name) ? t.messages.nameWrong : !had && list.current.channels.some((c) => c.name === name) ? t.messages.nameTaken : "";
  const wrongURL = /^https?:\/\/[^\s/]+/.test(url) ? "" : t.messages.urlWrong;

  /** written is the channel as it would be stored, without its template. */
  const written = (): Channel => {
    const c: Channel = { ...had, name, url, format: kind.format };
    if (secret && kind.signed) {
      const before = had?.secrets?.[0];
      c.secrets = [{ secret }, ...(before ? [{ secret: before.secret, not_after: new Date(now() + overlap).toISOString() }] : [])];
    }
    if (token) c.headers = { ...had?.headers, Authorization: token };
    if (inBody) c.values = { ...had?.values, key: inBody };
    if (hasTemplate && escape) c.escape = escape as "angle";
    else delete c.escape;
    if (types) c.types = types.split(",");
    else delete c.types;
    c.about_channels = about.length > 0;
    c.disabled = stopped.length > 0;
    return c;
  };

  const save = async (next: Channel | undefined, words: string) => {
    const before = list.current.version;
    const parts = list.current.channels.filter((c) => c.name !== had?.name).map((c) => JSON.stringify(c));
    const place = had ? list.current.channels.findIndex((c) => c.name === had.name) : parts.length;
    if (next) parts.splice(place, 0, textOf(next, hasTemplate ? template : undefined));
    try {
      const saved = await storeChannels(list.current, `{"channels":[${parts.join(",")}]}`);
      const rules = next ? await sendFrom(next.name) : 0;
      props.stored({
        words,
        warnings: saved.warnings ?? [],
        back: before > 0 && !saved.unchanged
          ? async () => {
              if (rules) await post("/v1/rules/restore", { body: { version: rules }, once: newOnce() });
              await restoreChannels(before);
            }
          : undefined,
      });
      go("messages");
    } catch (err) {
      if (err instanceof Problem && err.status === 412) list.current = await loadChannels(); // what was typed stays
      throw err;
    }
  };

  /** sendFrom has the chosen rules send here, and the others not. It returns the version of the rules before. */
  const sendFrom = async (channel: string): Promise<number> => {
    let before = 0;
    for (const r of props.rules) {
      const wanted = from.includes(r.name);
      if (wanted === r.send.includes(channel)) continue;
      const send = wanted ? [...r.send, channel] : r.send.filter((c) => c !== channel);
      const a = await exchange("PATCH", address("/v1/rules/{name}", { path: { name: r.name } }), { text: JSON.stringify({ send: send.length ? send : null }) });
      before ||= (JSON.parse(a.text) as { version: number }).version - 1;
    }
    return before;
  };

  const submit = (e: Event) => {
    e.preventDefault();
    setTried(true);
    if (!wrongName && !wrongURL) act.run(() => save(written(), had ? t.messages.changedNow(name) : t.messages.added(name)));
  };
  return (
    <form onSubmit={submit} noValidate>
      {had ? (
        <p class="soft">{kindWords(had)}</p>
      ) : (
        <Choice label={t.messages.kind} value={kind.id} set={choose} of={kinds.map((k) => ({ value: k.id, ...t.messages.kinds[k.id] }))} />
      )}
      {!had && <Field label={t.messages.name} value={name} set={setName} hint={t.messages.nameHint} wrong={tried ? wrongName : ""} code />}
      <Field label={t.messages.url} value={url} set={setURL} hint={had ? t.messages.urlMasked : t.messages.urlHint} wrong={tried ? wrongURL : ""} code placeholder="https://" />
      {kind.signed &&
        (secret ? (
          <>
            <Copied label={t.messages.secret} value={secret} />
            <p>{had?.secrets?.length ? t.messages.secretNew : t.messages.secretOnce}</p>
          </>
        ) : (
          <p>
            {t.messages.secretKept}{" "}
            <button type="button" onClick={() => setSecret(newSecret())}>
              {t.messages.secretMake}
            </button>
          </p>
        ))}
      <Field label={t.messages.token} value={token} set={setToken} hint={had?.headers ? t.messages.tokenKept(Object.keys(had.headers)) : t.messages.tokenHint} code />
      {hasTemplate && (
        <>
          <Choice label={t.messages.escape} value={escape} set={setEscape} of={t.messages.escapes} />
          <Field label={t.messages.inBody} value={inBody} set={setInBody} hint={had?.values ? t.messages.tokenKept(Object.keys(had.values)) : t.messages.inBodyHint} code />
          <Template key={kind.id} value={template} set={setTemplate} escape={escape} values={[...new Set([...Object.keys(had?.values ?? {}), ...(inBody ? ["key"] : [])])]} about={about.length > 0} />
        </>
      )}
      {!hasTemplate && <Preview format={kind.format} />}
      {props.rules.length > 0 ? (
        <Several label={t.messages.from} value={from} set={setFrom} of={props.rules.map((r) => ({ value: r.name, name: r.name, about: r.words }))} />
      ) : (
        <p class="soft">{t.messages.noRules}</p>
      )}
      <Choice label={t.messages.gets} value={types} set={setTypes} of={[...t.messages.getsOf, ...(types && t.messages.getsOf.every((o) => o.value !== types) ? [{ value: types, name: types }] : [])]} />
      <Several label={t.messages.more2} value={[...about.map(() => "about"), ...stopped.map(() => "off")]} set={(v) => (setAbout(v.includes("about") ? ["yes"] : []), setStopped(v.includes("off") ? ["yes"] : []))} of={[{ value: "about", name: t.messages.aboutChannels }, { value: "off", name: t.messages.off }]} />
      <Wrong error={act.wrong instanceof Problem && act.wrong.status === 412 ? t.messages.conflict : act.wrong} place={(d) => place(d, list.current, had?.name)} />
      <div class="acts">
        <button type="submit" class="main" disabled={act.busy}>
          {had ? t.messages.save : t.messages.addNow}
        </button>
        {had && (
          <button type="button" disabled={act.busy} onClick={() => act.run(() => save(undefined, t.messages.removed(had.name)))}>
            {t.messages.remove}
          </button>
        )}
        <a class="button" href={to("messages")}>
          {t.cancel}
        </a>
      </div>
    </form>
  );
}

/** place says where a fault of the document of all channels is: which channel, which setting. */
function place(d: Fault, list: List, own: string | undefined): string {
  const [, n, member] = /^channels\[(\d+)\]\.?(.*)$/.exec(d.path ?? "") ?? [];
  if (n === undefined) return d.path ?? "";
  const name = list.channels[Number(n)]?.name;
  const setting = t.messages.settings[member?.split(/[.[]/)[0] ?? ""] ?? member ?? "";
  return name && name !== own ? `${name}: ${setting}` : setting;
}

/** sampleOf is a channel that stands in for one that is being written. */
function sampleOf(format: Channel["format"], escape: string, values: string[], about: boolean): Channel {
  const c: Channel = { name: "preview", url: "https://preview.invalid/", format, about_channels: about };
  if (format !== "template") c.secrets = [{ secret: newSecret() }];
  if (escape) c.escape = escape as "angle";
  if (values.length) c.values = Object.fromEntries(values.map((v) => [v, "x"]));
  return c;
}

async function previewOf(text: string, delivery: string, signal?: AbortSignal): Promise<string> {
  const url = address("/v1/channels/preview", { query: { delivery } });
  const body = (JSON.parse((await exchange("POST", url, { text, signal })).text) as { body: string }).body;
  try {
    return JSON.stringify(JSON.parse(body), null, 2);
  } catch {
    return body;
  }
}

/** Template is the form of the message, with what comes of it beside it. */
function Template(props: { value: string; set: (v: string) => void; escape: string; values: string[]; about: boolean }): JSX.Element {
  const [wrong, setWrong] = useState<Fault[]>([]);
  const sample = textOf(sampleOf("template", props.escape, props.values, props.about), props.value);
  const current = useRef(props);
  current.current = props;
  // The channel is on the first line, the template from the second line on.
  const check = async (text: string): Promise<Diagnostic[]> => {
    const p = current.current;
    try {
      await previewOf(textOf(sampleOf("template", p.escape, p.values, p.about), text), "");
      setWrong([]);
      return [];
    } catch (err) {
      const list = err instanceof Problem ? faults(err.more) : [];
      const own = list.map((d) => ({ ...d, line: (d.line ?? 2) - 1, path: "" }));
      setWrong(own);
      return own.map((d) => {
        const lines = text.split("\n");
        const n = Math.min(Math.max(d.line, 1), lines.length) - 1;
        const start = lines.slice(0, n).reduce((sum, l) => sum + l.length + 1, 0) + Math.min(Math.max(0, (d.column ?? 1) - 1), lines[n]!.length);
        return { from: start, to: Math.min(text.length, start + (d.length ?? 1)), severity: "error", message: [d.reason, d.hint].filter(Boolean).join(": ") };
      });
    }
  };
  return (
    <>
      <h3>{t.messages.template}</h3>
      <p class="soft">{t.messages.templateHint}</p>
      <Editor label={t.messages.template} value={props.value} onChange={props.set} setup={{ check, complete }} />
      {wrong.length > 0 ? <Faults list={wrong} /> : <Preview format="template" text={sample} />}
    </>
  );
}

/** complete offers what a message has, once a brace is open. */
const complete: CompletionSource = (c) => {
  const word = c.matchBefore(/\{[\w.]*/);
  if (!word) return null;
  return { from: word.from + 1, options: Object.entries(t.messages.placeholders).map(([label, detail]) => ({ label, detail })) };
};

/** Preview is the message as the receiver would get it: of the sample, or of the newest that there was. */
function Preview(props: { format: Channel["format"]; text?: string }): JSX.Element {
  const who = useStore(session);
  const [real, setReal] = useState<{ id: string; say: string }>();
  const [with_, setWith] = useState("sample");
  const [shown, show] = useState("");
  const [error, fail] = useState<unknown>();
  const text = useMemo(() => props.text ?? textOf(sampleOf(props.format, "", [], false), undefined), [props.text, props.format]);
  useEffect(() => {
    if (may(who, ["operate", "view"])) void get("/v1/deliveries", { query: { limit: 1 } }).then((v) => v.deliveries[0] && setReal({ id: v.deliveries[0].id, say: v.deliveries[0].say ?? "" }), () => {});
  }, []);
  useEffect(() => {
    const stop = new AbortController();
    const timer = setTimeout(() => {
      previewOf(text, with_ === "real" ? (real?.id ?? "") : "", stop.signal).then(
        (body) => (show(body), fail(undefined)),
        (err: unknown) => stop.signal.aborted || fail(err),
      );
    }, 400);
    return () => {
      clearTimeout(timer);
      stop.abort();
    };
  }, [text, with_, real?.id]);
  return (
    <>
      <h3>{t.messages.preview}</h3>
      {real && (
        <Choice
          label={t.messages.previewWith}
          value={with_}
          set={setWith}
          of={[
            { value: "sample", name: t.messages.previewSample },
            { value: "real", name: t.messages.previewReal, about: real.say },
          ]}
        />
      )}
      {error !== undefined ? (
        <Wrong error={error} />
      ) : (
        <pre class="wide" tabIndex={0} role="group" aria-label={t.messages.preview}>
          {shown}
        </pre>
      )}
    </>
  );
}
