// Reads lines {"hex": ..., "tag_uri": ...} and answers each with what epc-tds makes of it: the tag URI and pure
// identity URI of the hex, and the hex of the tag URI. An exception becomes "error: ...".
const tds = require('epc-tds');
const attempt = (f) => { try { return String(f()); } catch (e) { return 'error: ' + e.message; } };
require('readline').createInterface({ input: process.stdin }).on('line', (line) => {
  const { hex, tag_uri } = JSON.parse(line);
  console.log(JSON.stringify({
    tag_uri: attempt(() => tds.valueOf(hex).toTagURI()),
    id_uri: attempt(() => tds.valueOf(hex).toIdURI()),
    hex: attempt(() => tds.fromTagURI(tag_uri).toHexString()),
  }));
});
