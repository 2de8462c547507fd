declare module "*.css";
interface Window {
  trustedTypes?: { createPolicy(name: string, rules: { createScriptURL(url: string): string }): { createScriptURL(url: string): unknown } };
  // What the strict Content-Security-Policy refused; tests ask that it stays empty.
  refused: string[];
}
