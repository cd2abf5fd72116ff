// Passes and deliverables of the demo stack.
#pragma once

namespace selvage::scene {

// The passes, with @name@ where size, length or screen decide.
inline constexpr char kDemoPasses[] = R"(
# ---- repair -----------------------------------------------------------------
pass {
  name: "degrained"
  from: "plate"
  step { degrain { window: 1 sample { @bare_box@ } } }
  keep: ALWAYS
  note: "noise measured on bare screen left of the figure"
}
pass {
  name: "degrained_still"
  from: "plate"
  step { degrain { window: 0 sample { @bare_box@ } strength { r: 0.8 g: 0.8 b: 0.8 } } }
  note: "for the tool in its stroke: nothing borrowed from neighbouring frames"
}

# ---- what counts as picture at all -------------------------------------------
pass { name: "garbage" from: "garbage_shape" }

# ---- keys of the whole -------------------------------------------------------
pass {
  name: "key_whole"
  from: "degrained"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.035 } white { value: 0.96 } } }
  note: "against the clean plate, so that wrinkles and crosses fall out"
}
pass {
  name: "bright_key"
  from: "degrained"
  step { luma_range { weights { @bright_weights@ } low { value: @bright_low@ } low_full { value: @bright_full@ } } }
  note: "bounce turns white, straw and skin green, but never takes their red away"
}
pass {
  name: "bright_core"
  from: "degrained"
  step { luma_range { weights { @bright_weights@ } low { value: 0.078 } low_full { value: @core_full@ } } }
  step { choke { pixels { value: @px2.2@ } } }
}
pass {
  name: "core_key"
  from: "degrained"
  step { color_difference { screen { sample { @bare_box@ } } larger_weight { value: 1 } } }
  step { levels { black { value: 0.62 } white { value: 0.86 } } }
  step { choke { pixels { value: @px1.6@ } } }
}
pass {
  name: "inside"
  from: "inside_shape"
  step { soften { sigma { value: @px1.5@ } } }
  note: "body and boots, where bounce from the floor thins the core"
}
pass { name: "panel_inside" from: "panel_inside_shape" }
pass {
  name: "steel_hold"
  from: "steel_shape"
  step { soften { sigma { value: @px0.6@ } } }
  note: "the can mirrors the screen and must stay solid"
}
pass {
  name: "core"
  from: "core_key"
  step { without { mask: "veil_area" } }
  step { combine { with: "bright_core" rule: MAX } }
  step { without { mask: "tool_shape" } }
  step { without { mask: "panel_shape" } }
  step { combine { with: "inside" rule: MAX } }
  step { combine { with: "panel_inside" rule: MAX } }
  step { combine { with: "steel_hold" rule: MAX } }
  step { within { mask: "garbage" } }
  keep: ALWAYS
}

# ---- edges, region by region, patched in by their masks --------------------------
pass {
  name: "suit_edge"
  from: "degrained"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.04 } white { value: 0.97 } } }
  step { combine { with: "bright_key" rule: MAX } }
  note: "white with green bounce: where the difference fails, brightness holds"
}
pass {
  name: "shade_edge"
  from: "degrained"
  step { luma_range { weights { @bright_weights@ } low { value: @shade_low@ } low_full { value: @shade_full@ } } }
  step { combine { with: "suit_edge" rule: MAX } }
  note: "the sides away from the lamp: less light, more bounce"
}
pass {
  name: "boots_chroma"
  from: "degrained"
  step {
    chroma_range {
      screen { sample { @floor_box@ } }
      angle { value: 24 } soft_angle { value: 16 } inner { value: 0.30 } outer { value: 0.86 }
    }
  }
  note: "chroma over luminance: the contact shadow keys like the lit floor"
}
pass {
  name: "boots_edge"
  from: "degrained"
  step { color_difference { screen { sample { @floor_box@ } } larger_weight { value: 0.5 } } }
  step { levels { black { value: 0.2 } white { value: 0.86 } } }
  step { combine { with: "inside" rule: MAX } }
}
pass {
  name: "veil_area"
  from: "head_shape"
  step { soften { sigma { value: @px2@ } } }
}
pass {
  name: "straw_key"
  from: "degrained"
  step { luma_range { weights { @bright_weights@ } low { value: 0.085 } low_full { value: @straw_full@ } } }
  step { within { mask: "head_shape" } }
  note: "hat, face and hair; the mesh is darker than this begins"
}
pass {
  name: "veil_key"
  from: "degrained"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.02 } white { value: 0.98 } } }
  step { combine { with: "straw_key" rule: MAX } }
  note: "the mesh is part transparent and stays so"
}
pass {
  name: "hair_contrast"
  from: "degrained"
  step { luma_range { weights { @hair_weights@ } low { value: @hair_low@ } low_full { value: @hair_full@ } } }
  note: "one channel against another: the strands are near the screen's hue but not in red"
}
pass {
  name: "hair_key"
  from: "degrained"
  step { color_difference { screen { sample { @hair_box@ } } larger_weight { value: 0.9 } } }
  step { levels { black { value: 0.05 } white { value: 0.90 } } }
  step { combine { with: "hair_contrast" rule: MAX } }
  step { levels { black { value: 0.05 } white { value: 1 } } }
}
pass {
  name: "moving_bright"
  from: "degrained_still"
  step { luma_range { weights { @bright_weights@ } low { value: 0.07 } low_full { value: @straw_full@ } } }
  note: "glove, wood and wax, smeared: one ramp from screen to full"
}
pass {
  name: "tool_key"
  from: "degrained_still"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.04 } white { value: 0.99 } } }
  step { combine { with: "moving_bright" rule: MAX } }
  note: "soft: the stroke smears over forty pixels"
}
pass {
  name: "panel_edge"
  from: "degrained_still"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.04 } white { value: 0.97 } } }
  step { combine { with: "moving_bright" rule: MAX } }
  step { within { mask: "panel_shape" } }
}
pass {
  name: "smoker_edge"
  from: "degrained"
  step { color_difference { screen { clean_plate: "clean_plate" } } }
  step { levels { black { value: 0.06 } white { value: 0.95 } } }
  step { combine { with: "bright_key" rule: MAX } }
  step { combine { with: "steel_hold" rule: MAX } }
}
pass {
  name: "floor_edge"
  from: "boots_chroma"
  step { without { mask: "boots_shape" } }
  step { levels { black { value: 0.25 } white { value: 1 } } }
  note: "nothing stands on the floor but boots: shadow is no foreground"
}
pass {
  name: "edges"
  from: "key_whole"
  step { patch { with: "floor_edge" mask: "floor_shape" sigma { value: @px1@ } } }
  step { patch { with: "suit_edge" mask: "suit_shape" sigma { value: @px2@ } } }
  step { patch { with: "shade_edge" mask: "shade_shape" sigma { value: @px2@ } } }
  step { patch { with: "boots_edge" mask: "boots_shape" sigma { value: @px1@ } } }
  step { patch { with: "hair_key" mask: "hair_shape" sigma { value: @px1.5@ } } }
  step { patch { with: "veil_key" mask: "head_shape" sigma { value: @px1@ } } }
  step { patch { with: "smoker_edge" mask: "smoker_shape" sigma { value: @px1.5@ } } }
  step { patch { with: "tool_key" mask: "tool_shape" sigma { value: @px1@ } } }
  step { combine { with: "panel_edge" rule: MAX } }
}
pass {
  name: "matte"
  from: "edges"
  step { combine { with: "core" rule: MAX } }
  step { within { mask: "garbage" } }
  keep: ALWAYS
}
pass { name: "edge" from: "matte" step { combine { with: "core" rule: SUBTRACT } } }

# ---- colour of the foreground --------------------------------------------------
pass {
  name: "despill_body"
  from: "degrained"
  step { despill { screen { hue: @hue@ } limit: AVERAGE allow { value: 1.0 } restore: NEUTRAL restore_amount { value: 0.6 } } }
}
pass {
  name: "despill_hair"
  from: "degrained"
  step {
    despill {
      screen { hue: @hue@ } limit: WEIGHTED larger_weight { value: 0.85 } allow { value: 0.95 }
      restore: COLOR restore_color { r: 1 g: 0.82 b: 0.42 } restore_amount { value: 0.5 }
    }
  }
}
pass {
  name: "despill_steel"
  from: "degrained"
  step { despill { screen { hue: @hue@ } limit: SMALLER restore: BACKGROUND background: "ground" restore_amount { value: 0.9 } } }
  step { grade { gain { r: 1.02 g: 1 b: 0.97 } } }
  note: "what the can mirrors becomes the meadow"
}
pass {
  name: "despilled"
  from: "despill_body"
  step { patch { with: "despill_hair" mask: "hair_shape" sigma { value: @px5@ } } }
  step { patch { with: "despill_steel" mask: "steel_shape" sigma { value: @px1@ } } }
}
pass {
  name: "hair_colour"
  from: "despilled"
  step { fill_color { core: "core" sigma { value: @px9@ } amount { value: 0.55 } keep_luminance { value: 0.6 } mask: "hair_shape" } }
}
pass {
  name: "solid"
  from: "matte"
  step { levels { black { value: 0.90 } white { value: 0.98 } } }
  step { choke { pixels { value: @px1@ } } }
  note: "where the colour is the foreground's own"
}
pass {
  name: "extended"
  from: "despilled"
  step { spread_color { core: "solid" solid { value: 0.95 } inset { value: @px1@ } amount { value: 0.85 } } }
}
pass {
  name: "foreground"
  from: "extended"
  step { patch { with: "hair_colour" mask: "hair_shape" sigma { value: @px4@ } } }
  step { patch { with: "despilled" mask: "veil_area" } }
  step { patch { with: "despilled" mask: "tool_shape" sigma { value: @px1@ } } }
  step { attach_matte { matte: "matte" } }
}
pass { name: "element" from: "foreground" step { premultiply {} } keep: ALWAYS }

# ---- over the meadow -----------------------------------------------------------
pass {
  name: "ground"
  from: "meadow"
  step { soften { sigma { value: @px0.8@ } } }
  step { grade { gain { r: 0.94 g: 0.95 b: 0.98 } } }
}
pass {
  name: "shadow_matte"
  from: "degrained"
  step { luma_range { weights { @screen_weights@ } low { value: @shadow_low@ } low_full { value: @shadow_full@ } invert: true } }
  step { without { mask: "matte" } }
  step { within { mask: "floor_shape" } }
  step { soften { sigma { value: @px2.5@ } } }
}
pass {
  name: "shadow"
  step { flood { color { r: 0.012 g: 0.018 b: 0.008 } } }
  step { attach_matte { matte: "shadow_matte" } }
  step { premultiply {} }
}
pass { name: "ground_shadow" from: "shadow" step { composite { with: "ground" rule: OVER amount { value: 0.9 } } } }
pass { name: "comp" from: "element" step { composite { with: "ground_shadow" rule: OVER } } }
pass {
  name: "comp_grade"
  from: "comp"
  step { unpremultiply {} }
  step {
    grade {
      stops { @grade_keys@ }
      gain { r: 1.03 g: 1.0 b: 0.97 }
      gamma { r: 1.03 g: 1.03 b: 1.03 }
    }
  }
  step { premultiply {} }
  note: "the sun comes out a little"
}

# ---- out -----------------------------------------------------------------------
deliver { name: "comp" from: "comp_grade" files: "out/comp/apiary_010.%04d.exr" }
deliver {
  name: "element"
  from: "element"
  files: "out/element/apiary_010.%04d.exr"
  layer { name: "core" from: "core" }
  layer { name: "edge" from: "edge" }
}
deliver { name: "matte" from: "matte" files: "out/matte/apiary_010.%04d.exr" }
)";

}  // namespace selvage::scene
