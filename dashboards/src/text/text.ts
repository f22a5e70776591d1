/** The catalogue in use. Read it where words are drawn, not before: the language may change. */

import type { Viewer } from "../viewer.ts";
import { german } from "./de.ts";
import { english, type Texts } from "./en.ts";

export const CATALOGUES: Record<Viewer["language"], Texts> = { en: english, de: german };

export let text: Texts = english;

export function speak(language: Viewer["language"]): void {
  text = CATALOGUES[language];
}
