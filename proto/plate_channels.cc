#include "proto/plate_channels.h"

#include <algorithm>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr size_t kMostListed = 20;

int Find(const std::vector<std::string>& channels, absl::string_view layer, absl::string_view name) {
  const std::string wanted = layer.empty() ? std::string(name) : absl::StrCat(layer, ".", name);
  for (size_t i = 0; i < channels.size(); ++i) {
    if (absl::EqualsIgnoreCase(channels[i], wanted)) return static_cast<int>(i);
  }
  return -1;
}

std::string LayerOf(const std::string& channel) {
  const size_t dot = channel.rfind('.');
  return dot == std::string::npos ? "" : channel.substr(0, dot);
}

std::vector<std::string> LayersOf(const std::vector<std::string>& channels) {
  std::vector<std::string> layers;
  for (const std::string& channel : channels) {
    const std::string layer = LayerOf(channel);
    if (!layer.empty() && std::find(layers.begin(), layers.end(), layer) == layers.end()) layers.push_back(layer);
  }
  return layers;
}

std::string Listed(std::vector<std::string> words) {
  if (words.size() <= kMostListed) return absl::StrJoin(words, ", ");
  const size_t more = words.size() - kMostListed;
  words.resize(kMostListed);
  return absl::StrCat(absl::StrJoin(words, ", "), " and ", more, " more");
}

std::string Quoted(const std::string& name) { return absl::StrCat("\"", name, "\""); }

std::string Hint(const std::string& name, const std::vector<std::string>& names) {
  const std::string closest = ClosestName(name, names);
  return closest.empty() ? "" : absl::StrCat("; did you mean ", Quoted(closest), "?");
}

int MatteOf(const std::vector<std::string>& channels, absl::string_view layer) {
  int matte = Find(channels, layer, "A");
  if (!layer.empty()) {
    if (matte < 0) matte = Find(channels, layer, "Y");
    // A channel of that name.
    if (matte < 0) matte = Find(channels, "", layer);
    return matte;
  }
  for (size_t i = 0; i < channels.size() && matte < 0; ++i) {
    if (channels.size() == 1 || LayerOf(channels[i]).empty()) matte = static_cast<int>(i);
  }
  return matte;
}

std::vector<int> ColorOf(const std::vector<std::string>& channels, absl::string_view layer) {
  const int r = Find(channels, layer, "R"), g = Find(channels, layer, "G"), b = Find(channels, layer, "B");
  if (r >= 0 && g >= 0 && b >= 0) return {r, g, b};
  int grey = Find(channels, layer, "Y");
  if (grey < 0) grey = Find(channels, layer, "I");
  if (grey < 0 && layer.empty() && channels.size() == 1) grey = 0;
  if (grey < 0) return {};
  return {grey, grey, grey};
}

std::vector<std::string> ChannelsOf(const PlateFacts::Part& part) {
  return {part.channel().begin(), part.channel().end()};
}

// How a part is called in messages, and may be in the stack.
std::string NameOf(const PlateFacts& facts, int part) {
  const std::string& name = facts.part(part).name();
  return name.empty() ? std::to_string(part) : Quoted(name);
}

std::vector<std::string> PartNames(const PlateFacts& facts) {
  std::vector<std::string> names;
  for (int i = 0; i < facts.part_size(); ++i) names.push_back(NameOf(facts, i));
  return names;
}

// The parts that the plate allows: the one that it names, or all.
absl::StatusOr<std::vector<int>> PartsFor(const Plate& plate, const PlateFacts& facts) {
  std::vector<int> parts;
  std::vector<std::string> names;
  for (int i = 0; i < facts.part_size(); ++i) {
    names.push_back(facts.part(i).name());
    if (plate.part().empty() || plate.part() == facts.part(i).name()) parts.push_back(i);
  }
  uint32_t number = 0;
  if (parts.empty() && absl::SimpleAtoi(plate.part(), &number) && number < static_cast<uint32_t>(facts.part_size())) {
    parts.push_back(static_cast<int>(number));
  }
  if (!parts.empty()) return parts;
  return absl::InvalidArgumentError(absl::StrCat("has no part ", Quoted(plate.part()), "; its parts are ",
                                                 Listed(PartNames(facts)), Hint(plate.part(), names)));
}

// The layers of a part that hold a picture of the plate's kind.
std::vector<std::string> LayersFor(const Plate& plate, const std::vector<std::string>& channels) {
  const Plate::Alpha alpha = plate.alpha() == Plate::MATTE_ONLY ? Plate::MATTE_ONLY : Plate::NONE;
  const auto holds = [&](const std::string& layer) { return FindPlateChannels(channels, layer, alpha).ok(); };
  if (!plate.layer().empty())
    return holds(plate.layer()) ? std::vector<std::string>{plate.layer()} : std::vector<std::string>{};
  if (holds("")) return {""};
  std::vector<std::string> layers = LayersOf(channels);
  layers.erase(std::remove_if(layers.begin(), layers.end(), [&](const std::string& l) { return !holds(l); }),
               layers.end());
  return layers;
}

absl::Status NoPicture(const Plate& plate, const PlateFacts& facts, const std::vector<int>& parts) {
  std::vector<std::string> channels, layers;
  for (int part : parts) {
    const std::vector<std::string> own = ChannelsOf(facts.part(part));
    channels.insert(channels.end(), own.begin(), own.end());
    const std::vector<std::string> more = LayersOf(own);
    layers.insert(layers.end(), more.begin(), more.end());
  }
  const char* const what = plate.alpha() == Plate::MATTE_ONLY ? "matte" : "R, G and B and no Y channel";
  if (plate.layer().empty())
    return absl::InvalidArgumentError(absl::StrCat("has no ", what, "; it has: ", Listed(channels)));
  return absl::InvalidArgumentError(
      absl::StrCat("has no picture in layer ", Quoted(plate.layer()), "; ",
                   layers.empty() ? absl::StrCat("it has no layers, its channels are ", Listed(channels))
                                  : absl::StrCat("its layers are ", Listed(layers)),
                   Hint(plate.layer(), layers)));
}

absl::Status TooMany(const PlateFacts& facts, const std::vector<PlateChoice>& choices) {
  std::set<uint32_t> parts;
  std::vector<std::string> part_names, layers;
  for (const PlateChoice& choice : choices) {
    if (parts.insert(choice.part).second) part_names.push_back(NameOf(facts, static_cast<int>(choice.part)));
    if (!choice.layer.empty()) layers.push_back(Quoted(choice.layer));
  }
  if (parts.size() > 1) {
    return absl::InvalidArgumentError(absl::StrCat("has several parts with a picture: ", Listed(part_names),
                                                   "; say which one with part: \"NAME\" in the plate"));
  }
  return absl::InvalidArgumentError(absl::StrCat("has several layers with a picture: ", Listed(layers),
                                                 "; say which one with layer: \"NAME\" in the plate"));
}

}  // namespace

absl::StatusOr<PlateChannels> FindPlateChannels(const std::vector<std::string>& channels, absl::string_view layer,
                                                Plate::Alpha alpha) {
  PlateChannels found;
  if (alpha == Plate::MATTE_ONLY) {
    found.alpha = MatteOf(channels, layer);
    if (found.alpha < 0) return absl::InvalidArgumentError("has no matte");
    return found;
  }
  found.color = ColorOf(channels, layer);
  if (found.color.empty()) {
    return absl::InvalidArgumentError(absl::StrCat("has no R, G and B and no Y channel; it has: ", Listed(channels)));
  }
  if (alpha == Plate::NONE) return found;
  found.alpha = Find(channels, layer, "A");
  if (found.alpha < 0) {
    return absl::InvalidArgumentError(
        "has no alpha channel; set the plate's alpha to NONE, or to MATTE_ONLY for a matte");
  }
  return found;
}

absl::StatusOr<PlateChoice> ChoosePicture(const Plate& plate, const PlateFacts& facts) {
  ASSIGN_OR_RETURN(const std::vector<int> parts, PartsFor(plate, facts));
  std::vector<PlateChoice> choices;
  // Those with a channel called A: of several mattes these are meant.
  std::vector<PlateChoice> with_alpha;
  for (int part : parts) {
    const std::vector<std::string> channels = ChannelsOf(facts.part(part));
    for (const std::string& layer : LayersFor(plate, channels)) {
      choices.push_back({static_cast<uint32_t>(part), layer});
      if (plate.alpha() == Plate::MATTE_ONLY && Find(channels, layer, "A") >= 0) with_alpha.push_back(choices.back());
    }
  }
  if (with_alpha.size() == 1) choices = with_alpha;
  if (choices.empty()) return NoPicture(plate, facts, parts);
  if (choices.size() > 1) return TooMany(facts, choices);
  const PlateChoice& choice = choices.front();
  RETURN_IF_ERROR(
      FindPlateChannels(ChannelsOf(facts.part(static_cast<int>(choice.part))), choice.layer, plate.alpha()).status());
  return choice;
}

}  // namespace selvage
