import type { ComponentChildren, JSX } from "preact";
import { useEffect, useRef } from "preact/hooks";

let due = false;

/** headingDue has the next heading that comes take the focus: somebody followed a link to what it is about. */
export function headingDue(): void {
  due = true;
}

/** Heading is the heading of an item or a product. */
export function Heading(props: { children: ComponentChildren }): JSX.Element {
  const heading = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    if (due) heading.current?.focus();
    due = false;
  }, []);
  return (
    <h2 tabIndex={-1} ref={heading}>
      {props.children}
    </h2>
  );
}
