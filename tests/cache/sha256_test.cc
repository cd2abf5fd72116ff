#include <string>

#include "gtest/gtest.h"
#include "proto/digest.h"

namespace selvage {
namespace {

struct Vector {
  std::string message;
  const char* hex;
};

// FIPS 180-4 example messages (NIST, "SHA-256 examples": one block, two blocks,
// the empty message, the 896-bit message, a million letters a); the empty
// message and the million were recomputed with Python's hashlib.
const Vector kVectors[] = {
    {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
    {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
    {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
     "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
    {"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrst"
     "nopqrstu",
     "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"},
    {std::string(1000000, 'a'), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
};

TEST(Sha256, PublishedVectors) {
  for (const Vector& v : kVectors) EXPECT_EQ(Sha256(v.message).Hex(), v.hex) << v.message.size() << " bytes";
}

// Around the end of the first block, where padding spills into a second one.
// Python hashlib.sha256(bytes(n)).
TEST(Sha256, PaddingEdges) {
  EXPECT_EQ(Sha256(std::string(55, '\0')).Hex().substr(0, 8), "02779466");
  EXPECT_EQ(Sha256(std::string(56, '\0')).Hex().substr(0, 8), "d4817aa5");
  EXPECT_EQ(Sha256(std::string(64, '\0')).Hex().substr(0, 8), "f5a5fd42");
}

TEST(Sha256, PiecesDontMatter) {
  const std::string& message = kVectors[3].message;
  for (size_t cut = 0; cut <= message.size(); ++cut) {
    Sha256Stream stream;
    stream.Update(std::string_view(message).substr(0, cut));
    stream.Update(std::string_view(message).substr(cut));
    ASSERT_EQ(stream.Finish().Hex(), kVectors[3].hex) << "cut at " << cut;
  }
}

}  // namespace
}  // namespace selvage
