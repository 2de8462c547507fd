/** Heard is what one line of a reader says: a tag's identity as the reader wrote it, and how strongly it was
 * heard (dBm) where the line ends with that. */
export interface Heard {
  tag: string;
  strength?: number;
}

const longest = 512; // characters of an identity; what is longer is none
const strengthAfter = /^(.*?\S)[\s,;|]+(-\d{1,3}(?:[.,]\d+)?)$/;

/** parseLine reads a line. Readers that send no Enter between tags run 96-bit tags together: those are taken
 * apart. Whether a text is an identity at all is for the server to say, with the reason. */
export function parseLine(line: string): Heard[] {
  const text = line.trim();
  if (!text) return [];
  const parts = strengthAfter.exec(text);
  const strength = parts ? Number(parts[2]!.replace(",", ".")) : undefined;
  const body = (parts ? parts[1]! : text).slice(0, longest);
  const bits = body.replace(/^0x/i, "").replace(/[\s-]/g, "");
  if (!/^[0-9a-f]+$/i.test(bits)) return [{ tag: body, strength }];
  const hex = bits.toUpperCase();
  const runs = hex.length > 24 && hex.length % 24 === 0 ? hex.match(/.{24}/g)! : [];
  if (runs.length > 1 && runs.every((r) => r.startsWith("30") || r.startsWith(hex.slice(0, 4)))) return runs.map((tag) => ({ tag, strength }));
  return [{ tag: hex, strength }];
}

/** Of SGTIN by partition value: bits and digits of the company prefix, bits of indicator and reference (GS1
 * EPC Tag Data Standard 2.3, section 14.4.3). */
const partitions = [
  [40, 12, 4],
  [37, 11, 7],
  [34, 10, 10],
  [30, 9, 14],
  [27, 8, 17],
  [24, 7, 20],
  [20, 6, 24],
] as const;

/** gtin puts company prefix, and indicator with reference, together, with the check digit. */
function gtin(prefix: string, reference: string): string {
  const digits = reference[0] + prefix + reference.slice(1);
  let sum = 0;
  for (let i = 0; i < 13; i++) sum += Number(digits[i]) * (i % 2 === 0 ? 3 : 1);
  return digits + ((10 - (sum % 10)) % 10);
}

/** identity returns what the API calls the item of a tag, "(01)...(21)...", of the identities that most shops
 * have: SGTIN, as bits or as a URI. Undefined: the server alone can say. */
export function identity(tag: string): string | undefined {
  if (tag.startsWith("(01)")) return tag;
  const uri = /^urn:epc:(?:id:sgtin:|tag:sgtin-(?:96|198):\d\.)(\d{6,12})\.(\d{1,7})\.(.+)$/i.exec(tag);
  if (uri) return uri[1]!.length + uri[2]!.length === 13 ? `(01)${gtin(uri[1]!, uri[2]!)}(21)${decode(uri[3]!)}` : undefined;
  const short = tag.length === 24 && tag.startsWith("30");
  if (!short && !(tag.length >= 50 && tag.startsWith("36"))) return undefined;
  const all = BigInt("0x" + tag);
  const total = tag.length * 4;
  const bits = (from: number, n: number) => (all >> BigInt(total - from - n)) & ((1n << BigInt(n)) - 1n);
  const p = partitions[Number(bits(11, 3))];
  if (!p) return undefined;
  const [prefixBits, prefixDigits, referenceBits] = p;
  const prefix = bits(14, prefixBits).toString().padStart(prefixDigits, "0");
  const reference = bits(14 + prefixBits, referenceBits).toString().padStart(13 - prefixDigits, "0");
  if (prefix.length > prefixDigits || reference.length > 13 - prefixDigits) return undefined;
  let serial = "";
  if (short) {
    serial = bits(58, 38).toString();
  } else {
    for (let i = 0; i < 20; i++) {
      const c = Number(bits(58 + 7 * i, 7));
      if (c === 0) break;
      serial += String.fromCharCode(c);
    }
  }
  return `(01)${gtin(prefix, reference)}(21)${serial}`;
}

function decode(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}
