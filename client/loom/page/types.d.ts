// What the loom says, as ../README.md has it. For the type checker only.

export type Place = [number, number];
export interface Fault { message: string; line?: number; column?: number; offset?: number; path?: string }
export interface KeyFrame { frame: number; value: any }
export interface Field { place?: Place; value?: any; long?: number; at?: KeyFrame[]; ease?: string; path?: string; fields?: Fields }
export type Fields = Record<string, any>;
export interface Block { path: string; place: Place; name?: string; mark?: string; fields: Fields }
export interface Step extends Block { operator: string; which: number }
export interface Muted { place: Place; text: string; before: number }
export interface Pass extends Block {
  name: string; from: string; keep?: string; note?: string; gives: string;
  inputs: string[]; dependents: string[]; steps: Step[]; muted?: Muted[];
}
export interface Named extends Block { name: string }
export interface Stack {
  state: 'good' | 'faulty' | 'unreadable' | 'none'; message: string; digest: string; shape_digest?: string;
  path: string; read_only: boolean; text: string; whole: boolean; bytes: number; faults: Fault[]; checked: boolean; undo: string; redo: string;
  name: string; frames: { first: number; last: number }; format: { width?: number; height?: number }; note: string;
  plates: Named[]; masks: Named[]; passes: Pass[]; deliverables: Named[]; order: string[];
}
export interface LanguageField {
  name: string; type: 'number' | 'colour' | 'real' | 'whole' | 'text' | 'name' | 'choice' | 'bool' | 'block';
  block?: string; list?: boolean; required?: boolean; only_one_of?: string; min?: number; max?: number; default?: any;
  unit?: string; choices?: { name: string; doc: string }[]; kinds?: string[]; doc: string;
}
export interface Operator { family: string; summary: string; doc: string; takes: string[]; gives: string; example: string; fields: LanguageField[] }
export interface Language { operators: Record<string, Operator>; blocks: Record<string, { doc: string; fields: LanguageField[] }> }
export interface Session { mode: 'stack' | 'job' | 'farm'; version: string; path: string; job: string; read_only: boolean; server: string; owner: string }
export interface PassLine {
  pass: string; total: number; rendered: number; reused: number; running: number; failed: number;
  mean_seconds: number; tiles_rendered: number; tiles_reused: number;
}
export interface Job {
  job_id: string; stack_name: string; owner: string; state: 'inspecting' | 'running' | 'done' | 'failed' | 'cancelled';
  seconds: number; seconds_left: number; workers: number; submitted_unix_ms: number; ended_unix_ms: number;
  pass: PassLine[]; problem: string[]; error: Fault[]; warning: { pass: string; frame: number[]; text: string }[];
}
export interface Version {
  number: number; job: string; owner: string; note: string; submitted_unix_ms: number;
  state: '' | 'done' | 'failed' | 'cancelled'; seconds: number; rendered: number; reused: number; has_text: boolean; set: string[];
  size: string;
}
export interface Changes { changes: { where: string; text: string }[]; more: number; fault?: string }
export interface PlanReason { text: string; frame: number[]; pass: string; reused: boolean }
export interface PassPlan { pass: string; total: number; render: number; reuse: number; reason: PlanReason[] }
export interface CurveShape {
  path: string; key_frames: number[]; key: boolean; known: boolean; subtract: boolean; feather: number; opacity: number; curves: number[][];
}
export interface Curves {
  mask: string; frame: number; follow: string;
  track: { x: number; y: number; rotate: number; scale: number; pivot_x: number; pivot_y: number }; shapes: CurveShape[];
}
