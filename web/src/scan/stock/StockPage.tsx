export function StockPage(_: { hip: string }): null {
  return null;
}
