import { get, type Shapes } from "./api";

export type Alert = Shapes["AlertView"];

/** allAlerts asks for every active alert of the shop. first is called with the newest thousand, which is all
 * that there are in most shops. */
export async function allAlerts(site: string, first: (list: Alert[]) => void = () => {}): Promise<Alert[]> {
  const list: Alert[] = [];
  for (let cursor: string | undefined; ; ) {
    const part = await get("/v1/alerts", { query: { site, limit: 1000, cursor } });
    list.push(...part.alerts.filter((a) => !a.watch));
    cursor = part.next;
    if (!cursor) return list;
    if (list.length === part.alerts.length) first(list);
  }
}
