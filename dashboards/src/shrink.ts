/** Photos made small before they go over the Wi-Fi of a shed; the service makes them anew all the same. */

const ACROSS_PX = 1600;
const QUALITY = 0.85;

/** At most 1600 pixels across, as JPEG; the photo itself where this browser can't read it. */
export async function shrunk(photo: Blob): Promise<Blob> {
  try {
    const image = await createImageBitmap(photo);
    const scale = Math.min(1, ACROSS_PX / Math.max(image.width, image.height));
    const canvas = new OffscreenCanvas(Math.max(1, Math.round(image.width * scale)), Math.max(1, Math.round(image.height * scale)));
    canvas.getContext("2d")?.drawImage(image, 0, 0, canvas.width, canvas.height);
    image.close();
    return await canvas.convertToBlob({ type: "image/jpeg", quality: QUALITY });
  } catch {
    return photo;
  }
}
