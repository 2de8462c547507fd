import { useEffect, useRef } from "preact/hooks";

const share = 20; // a question that takes a second is asked again after twenty

/** usePoll asks again some time after each answer, while the page is in sight: the slower the answers, the more
 * seldom. */
export function usePoll(ask: { again: () => void; busy: boolean }, every: number): void {
  const asked = useRef(Date.now());
  useEffect(() => {
    if (ask.busy) {
      asked.current = Date.now();
      return;
    }
    let timer: ReturnType<typeof setTimeout>;
    const wait = (ms: number) => {
      timer = setTimeout(() => (document.visibilityState === "visible" ? ask.again() : wait(every)), ms);
    };
    wait(Math.max(every, share * (Date.now() - asked.current)));
    return () => clearTimeout(timer);
  }, [ask.busy, ask.again]);
}
