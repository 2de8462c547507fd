// All that the console says, for translation. A language is a copy of this file: `language` is its BCP 47
// tag, `direction` which way it is written. Nothing else in the console has words of its own.

function some(n: number, one: string, many: string): string {
  return `${new Intl.NumberFormat("en-GB").format(n)} ${n === 1 ? one : many}`;
}

export const t = {
  language: "en-GB",
  direction: "ltr" as "ltr" | "rtl",
  number: (n: number) => new Intl.NumberFormat("en-GB").format(n),

  name: "Lintel",
  skip: "Go to the page",
  pages: "Pages",
  more: "More",
  shop: "Shop",
  shopNone: "There is no shop yet",
  shopNoneMore: "A shop begins with its places. Whoever sets it up can make one.",
  cancel: "Not now",
  again: "Try again",
  table: "As a table",

  page: {
    now: "Now",
    door: "Door",
    session: "Signed in",
    parts: "Parts",
    none: "There is no such page",
    noneMore: "The address may be cut, or the page is not for the key that signed in here.",
    toNow: "Go to the first page",
    notYours: (scopes: string) => `The key that signed in here may not do this. It takes one that may: ${scopes}.`,
  },

  link: {
    live: "Live",
    connecting: "Connecting",
    reconnecting: (since: string) => `Reconnecting since ${since}`,
    away: (since: string) => `No server since ${since}`,
    refused: "Not followed live",
    note: "What is shown is from before that.",
  },

  state: {
    loading: "Loading",
    late: "This takes longer than usual. It is still being asked for.",
    refused: "The key that signed in here may not see this.",
    stale: "Could not be asked again; this is from before.",
  },

  error: {
    noServer: "The server does not answer. Nothing is lost: try again when it does.",
    broken: "Something on this page failed.",
    status: (n: number) => `The server answered with the status ${n}.`,
    codes: {
      unauthorized: "The key is not known, or it has ended.",
      missing_scope: "The key that signed in here may not do this.",
      missing_site: "The key that signed in here is not for this shop.",
      busy: "The server has much to do at this moment. Try again.",
      unavailable: "The shop's records can't be reached at this moment. Try again.",
      timeout: "It took too long. It may still take effect: look again before you repeat it.",
      internal: "Something failed on the server. Its log says what.",
      alert_status: "Somebody else was first: it is no longer as shown here.",
      too_many_streams: "As many pages follow the shop as the server can serve. It will be tried again.",
    },
  },

  time: {
    seconds: (n: number) => `${n} s`,
    minutes: (n: number) => `${n} min`,
    hours: (h: number, m: number) => (m ? `${h} h ${m} min` : `${h} h`),
    days: (n: number) => some(n, "day", "days"),
    ago: (s: string) => `${s} ago`,
  },

  signIn: {
    title: "Sign in",
    key: "Key",
    keyHint: "It begins with lk_ and was shown once, when it was made. Whoever runs the server can make one.",
    keep: "Stay signed in on this device for 30 days",
    keepHint: "Otherwise for 12 hours, or until the browser is closed.",
    go: "Sign in",
    plain: "This page came without encryption, so others on this network could see the key. Ask for an address that begins with https.",
    needed: "Type or paste a key.",
  },

  session: {
    who: (key: string) => `This browser is signed in with the key ${key}.`,
    may: "It may",
    shops: "For",
    allShops: "every shop",
    until: (when: string) => `until ${when}`,
    out: "Sign out",
    others: "Browsers that are signed in",
    here: "This one",
    end: "End",
    from: (when: string) => `since ${when}`,
    unnamed: "A browser without a name",
    browser: (name: string, system: string) => (system ? `${name} on ${system}` : name),
    none: "No other browser is signed in.",
    scopes: {
      reads: "send what readers hear",
      sales: "report sales",
      count: "count",
      view: "see everything",
      metrics: "see the figures of the server",
      operate: "see everything, and handle what needs a person",
      author: "change places, products, rules and channels",
      admin: "everything, and keys",
    } as Record<string, string>,
  },

  fresh: (n: number) => some(n, "new", "new"),
  freshUrgent: (n: number) => some(n, "new, urgent", "new, some urgent"),
  over: (n: number) => some(n, "is over", "are over"),

  now: {
    lead: (n: number) => (n === 1 ? "1 thing needs a person" : `${new Intl.NumberFormat("en-GB").format(n)} things need a person`),
    caution: "A prompt to look, not proof of anything. Act only as local law and the shop's trained practice allow.",
    empty: "Nothing needs a person right now.",
    emptyMore: "What comes will be shown here by itself.",
    severity: { urgent: "Urgent", warning: "Soon", info: "When there is time" } as Record<string, string>,
    take: "I'm on it",
    taken: (by: string, when: string) => `Taken ${when} with the key ${by}`,
    why: "Why",
    closeIt: "Close",
    closeAs: "How did it turn out?",
    outcome: {
      genuine: "It was right",
      false: "It was wrong",
      unclear: "Nobody can say",
    } as Record<string, string>,
    ended: "It ended by itself.",
    closed: (outcome: string) => `Closed: ${outcome.toLowerCase()}.`,
    closedPlain: "Closed.",
    before: (outcome: string) => `Before that: ${outcome.toLowerCase()}.`,
    correct: "It was otherwise",
    outcomeOf: "How did it turn out?",
    over: "Over in the last day",
    overNone: "Nothing ended or was closed in the last day.",
    later: "Noted; the shop is still working it through.",
    joined: (n: number) => `and ${some(n, "more item", "more items")}`,
    doTitle: "What to do",
    doOf: {
      exit: "Look whether it was paid for. If nobody knows, ask kindly, and let people go if they wish to.",
      item: "Look for it there, and put it where it belongs.",
      stock: "Carry what is missing; the list below says from where.",
      reader: "Look whether the reader has power and network.",
      count: "Look at the differences of the count.",
    } as Record<string, string>,
    because: "Why",
    cause: {
      arrived: (place: string) => `It was heard at ${place}.`,
      left: (place: string) => `It is no longer heard at ${place}.`,
      passed: (place: string) => `It went through ${place}.`,
      sold: () => "It was paid for.",
      returned: () => "It was brought back.",
      received: () => "It came in from a supplier.",
      shipped: () => "It was sent away.",
      missing: () => "A count did not find it.",
      found: () => "It was missing, and was heard again.",
      retired: () => "It is no longer part of the stock.",
      stock: (place: string) => `The number at ${place} changed.`,
      counted: () => "A count was closed.",
      silent: () => "The reader stopped reporting.",
      heard: () => "The reader reports again.",
      foreign: (place: string) => `A tag that is not this shop's was heard at ${place}.`,
      registered: () => "A tag was tied to a product.",
      doubled: () => "One identity is heard in two places at the same time.",
    } as Record<string, (place: string) => string>,
    passage: (p: { door: string; direction: string; reads: number; seconds: number; sure: boolean; percent: number }) => {
      const way: Record<string, string> = { out: "going out", in: "coming in", unsure: "but not which way" };
      const times = some(p.reads, "time", "times");
      return `${p.door || "The door"} heard it ${times} within ${Math.max(1, Math.round(p.seconds))} s, ${way[p.direction] ?? ""}. ` +
        (p.sure ? `That is ${p.percent} % sure.` : `That is likely (${p.percent} %), not sure.`);
    },
    conditions: "The rule's condition, part by part",
    holds: "holds",
    holdsNot: "does not hold",
    picture: "How strongly each side of the door heard it",
    noPicture: "What the readers heard is no longer kept.",
    seconds: "Seconds",
    strength: "Strength (dBm)",
    inner: "Inner side",
    outer: "Outer side",
    picks: "What to carry where",
    toPicks: "To what is to be carried",
    picksChanged: "Something was carried or sold since: show the new list",
    picksNone: "Nothing is to be carried.",
    print: "Print",
    pick: (n: number, from: string, to: string) => `${n} × from ${from} to ${to}`,
    tooFull: "too full",
    below: "Below minimum",
    belowNone: "Every place has its minimum.",
    product: "Product",
    there: "There",
    minimum: "Minimum",
    lacking: "Lacking",
  },

  door: {
    choose: "Which door?",
    none: "This shop has no door with readers.",
    caution: "What is shown is a prompt to look, not proof. Nobody is to be held, searched or accused because of it: act only as local law and trained practice allow.",
    empty: "Nothing has gone through this door in the last day.",
    out: "Out",
    in: "In",
    unsure: "Way not known",
    paid: "Paid",
    unpaid: "Not paid so far",
    unknown: "Not known",
    likely: "likely",
    sound: "Sound for what is not paid",
    soundOn: "Sound is on",
    last: "Last passages",
  },

  list: {
    row: (n: number, of: number) => `${new Intl.NumberFormat("en-GB").format(n)} of ${new Intl.NumberFormat("en-GB").format(of)}`,
    more: (shown: number, of: number) => `Show more (${new Intl.NumberFormat("en-GB").format(shown)} of ${new Intl.NumberFormat("en-GB").format(of)} are shown)`,
  },

  parts: {
    lead: "Every part and every state, for who builds pages.",
  },
};

export type Text = typeof t;
