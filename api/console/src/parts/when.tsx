import type { JSX } from "preact";
import { at, length, useNow } from "../lib/time";
import { useStore } from "../lib/store";
import { shop } from "../lib/shop";
import { t } from "../text/en";

/** When is a moment in the shop's zone. */
export function When(props: { at: string; seconds?: boolean }): JSX.Element {
  const s = useStore(shop);
  return <time dateTime={props.at}>{at(props.at, s?.zone ?? "UTC", props.seconds)}</time>;
}

/** Ago is how long ago a moment was; it goes on by itself. words makes a sentence of "3 days ago". */
export function Ago(props: { at: string; plain?: boolean; words?: (ago: string) => string }): JSX.Element {
  const s = useStore(shop);
  const text = length(useNow() - Date.parse(props.at));
  return (
    <time dateTime={props.at} title={at(props.at, s?.zone ?? "UTC", true)}>
      {props.plain ? text : (props.words ?? String)(t.time.ago(text))}
    </time>
  );
}
