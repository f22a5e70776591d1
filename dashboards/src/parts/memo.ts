import { Component, type ComponentType, h } from "preact";

/** A component drawn again only where one of its properties is another object than before. */
export function memo<Props extends object>(Inner: ComponentType<Props>): ComponentType<Props> {
  return class extends Component<Props> {
    override shouldComponentUpdate(next: Props): boolean {
      const before = this.props as Record<string, unknown>;
      return Object.entries(next).some(([name, value]) => !Object.is(value, before[name]));
    }

    render() {
      return h(Inner as ComponentType<object>, this.props);
    }
  };
}
