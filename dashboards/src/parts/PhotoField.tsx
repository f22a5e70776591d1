import { text } from "../text/text.ts";
import { Icon } from "./Icon.tsx";

interface PhotoFieldProps {
  /** How many have been chosen. */
  chosen: number;
  choose: (photos: File[]) => void;
  disabled?: boolean;
}

/** Takes photos with the camera or from the device. */
export function PhotoField({ chosen, choose, disabled = false }: PhotoFieldProps) {
  return (
    <label class="button photo-field">
      <Icon name="photo" />
      {chosen === 0 ? text.log.addPhoto : text.log.photosChosen(chosen)}
      <input
        type="file"
        accept="image/*"
        multiple
        class="hidden"
        disabled={disabled}
        onChange={(event) => {
          choose([...(event.currentTarget.files ?? [])]);
          event.currentTarget.value = "";
        }}
      />
    </label>
  );
}
