import { useEffect, useMemo } from "preact/hooks";
import { text } from "../text/text.ts";

/** Photos that are on this device alone until the service answers again. */
export function WaitingPhotos({ photos, of }: { photos: readonly Blob[]; of: string }) {
  const urls = useMemo(() => photos.map((photo) => URL.createObjectURL(photo)), [photos]);
  useEffect(() => () => urls.forEach((url) => URL.revokeObjectURL(url)), [urls]);
  if (urls.length === 0) return null;
  return (
    <figure class="photos photos-waiting">
      {urls.map((url, i) => (
        <img key={url} src={url} alt={text.log.photoOf(of, i + 1, urls.length)} />
      ))}
      <figcaption>{text.queue.photosWait(urls.length)}</figcaption>
    </figure>
  );
}
