import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import type { ImportColumn, Look, ReadingsMap } from "../shapes.ts";
import { text } from "../text/text.ts";

/** Units a column may be in, by the names of RFC 8428 and 8798; degF is of many loggers. */
const UNITS = ["Cel", "degF", "K", "%", "%RH", "/", "V", "mV", "count", "%EL", "dBm"];

interface ColumnsProps {
  map: ReadingsMap;
  look: Look;
  change: (map: ReadingsMap) => void;
}

/** Which column goes to which channel of which probe. */
export function Columns({ map, look, change }: ColumnsProps) {
  const probes = useResource(resources.probes).value ?? [];
  const words = text.data;
  const put = (index: number, column: ImportColumn | null): void => {
    const others = map.columns.filter((c) => c.index !== index);
    const columns = column === null ? others : [...others, column].sort((a, b) => a.index - b.index);
    change({ ...map, columns });
  };
  const known = (
    <datalist id="known-probes">
      {probes.map((probe) => (
        <option key={probe.id} value={probe.id} />
      ))}
    </datalist>
  );
  if (map.value !== null)
    return (
      <>
        {known}
        {typeof map.probe === "string" && (
          <label>
            {words.probe}
            <input required list="known-probes" value={map.probe} onInput={(e) => change({ ...map, probe: e.currentTarget.value.trim() })} />
          </label>
        )}
        {typeof map.channel === "string" && (
          <label>
            {words.channel}
            <input required value={map.channel} onInput={(e) => change({ ...map, channel: e.currentTarget.value.trim() })} />
          </label>
        )}
        <p class="hint">{words.longTable}</p>
      </>
    );
  const first = map.columns[0]?.probe ?? "";
  const alike = map.columns.every((c) => c.probe === first);
  return (
    <>
      {known}
      {alike && (
        <label>
          {words.probe}
          <input
            required
            list="known-probes"
            value={first}
            onInput={(e) => change({ ...map, columns: map.columns.map((c) => ({ ...c, probe: e.currentTarget.value.trim() })) })}
          />
        </label>
      )}
      <ul class="import-columns">
        {look.header.map((header, index) => {
          if (index === map.time || index === map.clock) return null;
          const column = map.columns.find((c) => c.index === index);
          return (
            <li key={index}>
              <label class="check">
                <input
                  type="checkbox"
                  checked={column !== undefined}
                  onChange={(e) => put(index, e.currentTarget.checked ? { index, probe: alike ? first : "", channel: "", unit: "" } : null)}
                />
                <span>
                  {header} <span class="hint">{words.asIn(look.rows[0]?.[index] ?? "")}</span>
                </span>
              </label>
              {column !== undefined && (
                <div class="side-by-side">
                  {!alike && (
                    <label>
                      {words.probe}
                      <input required list="known-probes" value={column.probe} onInput={(e) => put(index, { ...column, probe: e.currentTarget.value.trim() })} />
                    </label>
                  )}
                  <label>
                    {words.channel}
                    <input required value={column.channel} onInput={(e) => put(index, { ...column, channel: e.currentTarget.value.trim() })} />
                  </label>
                  <label>
                    {words.unit}
                    <select required value={column.unit} onChange={(e) => put(index, { ...column, unit: e.currentTarget.value })}>
                      <option value="">{words.choose}</option>
                      {UNITS.map((unit) => (
                        <option key={unit} value={unit}>
                          {words.units[unit] ?? unit}
                        </option>
                      ))}
                    </select>
                  </label>
                </div>
              )}
            </li>
          );
        })}
      </ul>
    </>
  );
}
