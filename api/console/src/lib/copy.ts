/** copy puts the text of a field on the clipboard. Without a secure context browsers have only the old way. */
export async function copy(field: HTMLInputElement | HTMLTextAreaElement): Promise<void> {
  field.focus();
  field.select();
  if (navigator.clipboard) await navigator.clipboard.writeText(field.value);
  else if (!document.execCommand("copy")) throw new Error("not copied");
}
