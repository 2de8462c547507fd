import type { JSX } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { useStore } from "../lib/store";
import { shop } from "../lib/shop";
import type { PageProps } from "../pages";
import { RulesList } from "./rules_list";
import { NewRule, OneRule } from "./rules_one";

/** RulesPage lists the rules at #/rules, has one at #/rules/NAME, with its parts behind that, and begins a new
 * one at #/rules?new=KIND. */
export default function RulesPage(props: PageProps): JSX.Element | null {
  const s = useStore(shop);
  const kind = props.query.get("new");
  const name = props.args[0];
  const first = useRef(true);
  useEffect(() => {
    // What was pressed to come here is gone: the heading of what is shown now has the focus.
    if (!first.current) (document.querySelector<HTMLElement>("main h2.title") ?? document.querySelector<HTMLElement>("main h1"))?.focus();
    first.current = false;
  }, [kind, name]);
  if (!s) return null;
  if (kind !== null) return <NewRule key={kind} shop={s} kind={kind} />;
  return name ? <OneRule key={name} shop={s} name={name} part={props.args[1] ?? ""} /> : <RulesList />;
}
