import { render } from "preact";
import "./style.css";
import { Shell } from "./shell";
import { t } from "./text/en";

window.refused = [];
addEventListener("securitypolicyviolation", (e) => window.refused.push(`${e.violatedDirective} ${e.blockedURI}`));

document.documentElement.lang = t.language;
// #/...?dir=rtl shows the pages the other way round, for who checks a translation.
document.documentElement.dir = new URLSearchParams(location.search).get("dir") === "rtl" ? "rtl" : t.direction;

const app = document.getElementById("app");
if (app) render(<Shell />, app);
