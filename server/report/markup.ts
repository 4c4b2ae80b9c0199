// HTML as text that can't be broken out of: what is put into a template is escaped, unless a template made it.

/** A piece of finished HTML. Only `html` makes it. */
export class Markup {
  readonly text: string;

  constructor(text: string) {
    this.text = text;
  }
}

/** What a template takes; `undefined`, `false` and '' are nothing. */
export type Piece = Markup | string | number | undefined | false | readonly Piece[];

/** ``html`<p>${note}</p>` ``: strings are escaped, for text and for attributes in double quotes alike. */
export function html(parts: TemplateStringsArray, ...pieces: Piece[]): Markup {
  let text = parts[0] as string;
  for (const [i, piece] of pieces.entries()) text += toText(piece) + (parts[i + 1] as string);
  return new Markup(text);
}

function toText(piece: Piece): string {
  if (piece instanceof Markup) return piece.text;
  if (typeof piece === 'object') return piece.map(toText).join('');
  return piece === undefined || piece === false ? '' : escaped(String(piece));
}

const entities: Record<string, string> = { '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;', "'": '&#39;' };

/** Control characters, halves of characters, and those that turn the direction of what follows, would let a note look like another part of the page. */
const unseen = /(?![\n\r\t])[\p{Cc}\p{Cs}\p{Zl}\p{Zp}\u202a-\u202e\u2066-\u2069]/gu;

/** `<b>` → `&lt;b&gt;`; control characters become U+FFFD. */
export function escaped(text: string): string {
  return text.replace(unseen, '\ufffd').replace(/[&<>"']/g, (sign) => entities[sign] as string);
}
